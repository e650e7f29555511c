// Package serialscale reads weighing indicators over a serial line: those that send their weight
// all the time, and those that answer when asked.
//
// Their frames are alike and never the same: a few letters for stable, in motion and overload, for
// gross and net, a number, a unit. So the site file describes one line by a pattern, and a line
// that it does not describe wholly is noise; a number is never fished out of a line.
//
//	{ST=stable|US=motion|OL=overload},{GS=gross|NT=net},{value}{unit}
//
// {value} is a number with its sign, or the dashes in its place; {value:8} so many characters of
// one. {unit} is the unit's letters, perhaps none. {TEXT=meaning|...} are flags; their meanings are stable, motion,
// overload, underload, fault, gross, net and ignore. {any:3} skips characters. {xor} and {add} are
// check sums, two hexadecimal digits over all characters before them. A blank stands for any number of
// blanks. All else stands for itself. Where there are several patterns the first that fits counts; one
// without {value} is for a line that says why there is no weight.
//
//	serial: {port: /dev/serial/by-id/..., baud: 9600, bits: 8, parity: none, stop: 1, frame: "...", weight: gross}
//	serial: {port: ..., frame: ["S {S=stable|D=motion} {value} {unit}", "S {+=overload|-=underload}"], ask: 'W\r'}
//
// Also: begins: STX and ends: ETX, where a frame is set off so and not by the end of a line; decimal: comma; decimals: 2,
// where the indicator leaves the point out.
//
// That the line families are of this kind, and that 9600 baud with 8 bits and no parity is the usual
// line, is common practice of weighing indicators.
//
// # What a line's flags become
//
// A weight in motion is suspect for in-motion, and stands all the same: while refrigerant flows a cylinder on a
// platform is in motion by its nature, and some indicators hardly ever say stable. Overload, underload and a fault
// fail the reading. A net weight where gross is wanted is suspect and not to be used, for somebody has
// pressed tare. A unit other than the site file's is converted where it is one of mass, and the reading
// fails where it is not; a line that names none means the unit named last, for some leave it out while in motion.
package serialscale

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"standwatch/sensors"
)

// Driver is the driver for weighing indicators on serial lines.
func Driver() sensors.Driver {
	return sensors.Driver{
		Name:   "serial",
		Doc:    "weighing indicators on a serial line, by a pattern of what they send",
		Device: "port",
		New:    newSource,
	}
}

// Reasons of this instrument.
const (
	reasonNet   = "net-weight"   // somebody has pressed tare
	reasonGross = "gross-weight" // somebody has cleared the tare
)

const (
	opening = 3 * time.Second // to open a port or write to it: neither waits for the other side
	quiet   = 5 * time.Second // without a weight: the slowest usual indicators send one each second (common practice)
	answer  = time.Second     // to an ask: at 1200 baud a long line takes a quarter of it
	asks    = 3               // before the answer counts as missing
	closing = time.Second
)

// settings are one port's.
type settings struct {
	point    sensors.Point
	path     string
	line     sensors.SerialLine
	frames   []*frame
	lines    lines
	ask      []byte // nil: it sends by itself
	decimal  byte
	decimals int
	net      bool // net weights are wanted
}

func newSource(env sensors.Env, c sensors.Config) (sensors.Source, error) {
	var faults []error
	var all []settings
	for i, p := range c.Points {
		s, d := read(p, &faults)
		if i > 0 {
			d.Fail(p.Settings, fmt.Sprintf("the port %s has the point %s already", s.path, c.Points[0].Name), "one indicator shows one weight: give each its own port")
		}
		d.Done()
		all = append(all, s)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	s := all[0]
	say := teller(env, "serial "+c.Name)
	open := func(ctx context.Context) (sensors.Probe, error) {
		p, err := open(ctx, env, s, say)
		if err != nil {
			say(false, fmt.Sprintf("Cannot be opened: %v. Look at the plug of its adapter and at the port's name; it is tried again.", err))
			return nil, err
		}
		return p, nil
	}
	return sensors.Poll([]string{s.point.Name}, open, env.Pacer(c.Points)), nil
}

// teller tells people how a port is, when that changes.
func teller(env sensors.Env, name string) func(ok bool, sentence string) {
	last := ""
	return func(ok bool, sentence string) {
		if env.Status != nil && sentence != last {
			env.Status(name, ok, sentence)
		}
		last = sentence
	}
}

// read reads a point's settings.
func read(p sensors.Point, faults *[]error) (settings, *sensors.Decoder) {
	d := sensors.Decode(p.Settings, faults)
	s := settings{point: p, path: d.Required("port", "/dev/serial/by-id/..."), decimal: '.'}
	if why := unstable(s.path); why != "" {
		d.Fail(d.Node("port"), fmt.Sprintf("port: %s %s", s.path, why), "write its path under /dev/serial/by-id, which `ls -l /dev/serial/by-id` shows")
	}
	if p.Quantity != sensors.Mass {
		d.Fail(p.Settings, fmt.Sprintf("an indicator shows mass, not %s", p.Quantity), "write measures: mass")
	}
	s.line = sensors.SerialLine{
		Baud: d.Whole("baud", 9600, 300, 115200), DataBits: d.Whole("bits", 8, 7, 8),
		Parity: d.OneOf("parity", "none", "none", "even", "odd"), StopBits: d.Whole("stop", 1, 1, 2),
	}
	s.lines.stx = d.OneOf("begins", "", "STX") != ""
	s.lines.etx = d.OneOf("ends", "line", "line", "ETX") == "ETX"
	if d.OneOf("decimal", "point", "point", "comma") == "comma" {
		s.decimal = ','
	}
	s.decimals = d.Whole("decimals", 0, 0, 6)
	s.net = d.OneOf("weight", "gross", "gross", "net") == "net"
	if ask := d.Text("ask", ""); ask != "" {
		var ok bool
		if s.ask, ok = unescape(ask); !ok {
			d.Fail(d.Node("ask"), fmt.Sprintf("ask: %q is not what can be sent", ask), `write the characters, with \r for carriage return, \n for line feed and \x05 for others`)
		}
	}
	if _, given := d.Given("frame"); !given {
		d.Required("frame", `"{ST=stable|US=motion|OL=overload},{GS=gross|NT=net},{value}{unit}", what a line of it looks like`)
	}
	n := d.Node("frame")
	if n.Kind == sensors.List && len(n.Items) == 0 {
		d.Fail(n, "frame: the list is empty", "write what a line looks like")
	}
	for i, pattern := range d.Texts("frame") {
		f, err := compile(pattern, s.decimal)
		if err != nil {
			at := n
			if n.Kind == sensors.List && i < len(n.Items) {
				at = n.Items[i]
			}
			d.Fail(at, fmt.Sprintf("frame: %q %v", pattern, err), "")
		}
		s.frames = append(s.frames, f)
	}
	return s, d
}

// unstable says why a port's name will not do.
func unstable(p string) string {
	name := path.Base(p)
	switch {
	case p == "":
	case !strings.HasPrefix(path.Clean(p), "/dev/"):
		return "is no serial port"
	case path.Dir(path.Clean(p)) == "/dev" && (strings.HasPrefix(name, "ttyUSB") || strings.HasPrefix(name, "ttyACM")):
		return "is numbered in the order of plugging, and after the next plug another device has that number"
	}
	return ""
}

// unescape reads \r, \n, \t, \\ and \x05, for YAML without double quotes leaves them as they are.
func unescape(s string) ([]byte, bool) {
	const most = 32
	var out []byte
	for s != "" {
		c, _, rest, err := strconv.UnquoteChar(s, 0)
		if err != nil || c > 0x7F {
			return nil, false
		}
		out, s = append(out, byte(c)), rest
	}
	return out, len(out) <= most
}

// port is an open port.
type port struct {
	io.ReadWriteCloser
	settings
	env  sensors.Env
	say  func(ok bool, sentence string)
	unit string // the one named last

	mu      sync.Mutex
	got     *weight // of the last whole line since it was taken
	noise   []byte  // the last line that nothing describes
	sum     bool    // all that was wrong with it was its check sum
	err     error   // the port is gone
	changed chan struct{}
}

func open(ctx context.Context, env sensors.Env, s settings, say func(bool, string)) (*port, error) {
	if env.Serial == nil {
		return nil, errors.New("this machine has no serial ports")
	}
	o, err := sensors.Within(ctx, opening,
		func() (io.ReadWriteCloser, error) { return env.Serial(s.path, s.line) },
		func(o io.ReadWriteCloser) { _ = o.Close() })
	if err != nil {
		return nil, err
	}
	p := &port{ReadWriteCloser: o, settings: s, env: env, say: say, changed: make(chan struct{}, 1)}
	go p.listen()
	return p, nil
}

// listen reads the line until the port is closed or gone.
func (p *port) listen() {
	l := p.lines
	var buf [256]byte
	for {
		n, err := p.ReadWriteCloser.Read(buf[:])
		p.mu.Lock()
		if over := l.feed(buf[:n], p.take); over > 0 {
			p.reject([]byte("more than a line"), false)
		}
		p.err = err
		p.mu.Unlock()
		if n == 0 && err == nil {
			continue // idle
		}
		select {
		case p.changed <- struct{}{}:
		default:
		}
		if err != nil {
			return
		}
	}
}

// take reads a line.
func (p *port) take(line []byte) {
	sum := false
	for _, f := range p.frames {
		w, ok, wrong := f.read(line, p.decimal, p.decimals)
		if ok {
			p.got = &w
			return
		}
		sum = sum || wrong
	}
	p.reject(line, sum)
}

func (p *port) reject(line []byte, sum bool) {
	p.noise, p.sum = bytes.Clone(line), sum
	if p.env.Count != nil {
		p.env.Count("serial-noise") // a long or unshielded line, or a wrong baud rate, shows here first
	}
}

// Read gives the next weight.
func (p *port) Read(ctx context.Context) ([]sensors.Reading, error) {
	p.mu.Lock()
	p.got, p.noise, p.sum = nil, nil, false // a weight is never older than the wish for it
	p.mu.Unlock()
	times, wait := 1, max(quiet, 2*p.point.Every)
	if p.ask != nil {
		times, wait = asks, answer
	}
	for range times {
		if p.ask != nil {
			_, err := sensors.Within(ctx, opening, func() (int, error) { return p.Write(p.ask) }, nil)
			if err != nil {
				return nil, p.gone(ctx, err)
			}
		}
		w, err := p.next(ctx, wait)
		if err != nil {
			return nil, p.gone(ctx, err)
		}
		if w != nil {
			p.say(true, "Sends weights.")
			return []sensors.Reading{p.reading(*w)}, nil
		}
	}
	return []sensors.Reading{p.silent()}, nil // still open: it may only be switched off
}

// next waits for a weight; nil: none came.
func (p *port) next(ctx context.Context, wait time.Duration) (*weight, error) {
	t := time.NewTimer(wait)
	defer t.Stop()
	for {
		p.mu.Lock()
		w, err := p.got, p.err
		p.got = nil
		p.mu.Unlock()
		if w != nil || err != nil {
			return w, err
		}
		select {
		case <-p.changed:
		case <-t.C:
			return nil, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// gone tells that the port does not work.
func (p *port) gone(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		p.say(false, fmt.Sprintf("Was lost: %v. Look at the plug of its adapter; it is tried again.", err))
	}
	return err
}

// silent is the reading of a port from which no weight comes, and why.
func (p *port) silent() sensors.Reading {
	p.mu.Lock()
	noise, sum := p.noise, p.sum
	p.mu.Unlock()
	reason := sensors.ReasonDisconnected
	switch {
	case noise == nil && p.ask != nil:
		p.say(false, "Does not answer when asked. Is the indicator on, is its cable in, does ask fit, and is the baud rate right?")
	case noise == nil:
		p.say(false, "Is open, but nothing comes. Is the indicator on, is its cable in, and is it set to send all the time?")
	case sum:
		reason = sensors.ReasonCRC
		p.say(false, fmt.Sprintf("Sends lines whose check sum is wrong, such as %q. Look at the cable, and at the check sum in frame.", noise))
	default:
		reason = sensors.ReasonGarbage
		p.say(false, fmt.Sprintf("Sends what frame does not describe, such as %q. Letters that read like a weight: mend frame; anything else: look at baud, bits and parity, and at the cable.", noise))
	}
	return failed(p.point.Name, reason)
}

func failed(point, reason string) sensors.Reading {
	return sensors.Reading{Point: point, Health: sensors.Health{Grade: sensors.Failed, Reason: reason}}
}

// reading makes a reading of a line.
func (p *port) reading(w weight) sensors.Reading {
	name := p.point.Name
	switch {
	case w.says&fault != 0:
		return failed(name, sensors.ReasonFault)
	case w.says&overload != 0:
		return failed(name, sensors.ReasonOverload)
	case w.says&underload != 0:
		return failed(name, sensors.ReasonUnderload)
	case !w.has:
		return failed(name, sensors.ReasonNotANumber)
	}
	if w.unit != "" {
		p.unit = spelt(w.unit)
	}
	unit := p.unit
	if unit == "" {
		unit = p.point.Unit
	}
	r := sensors.Mass.Reading(name, w.value, unit)
	if r.Health.Grade != sensors.Good {
		return r
	}
	switch {
	case w.says&net != 0 && !p.net:
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: reasonNet}
	case w.says&gross != 0 && p.net:
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: reasonGross}
	case w.says&motion != 0:
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonMotion}
	}
	return r
}

// spelt gives a unit as the vocabulary spells it: displays know KG and LBS.
func spelt(unit string) string {
	switch u := strings.ToLower(unit); u {
	case "lbs":
		return "lb"
	default:
		return u
	}
}

// Close closes the port. One with unsent characters can take its time, and is left to that.
func (p *port) Close() error {
	done := make(chan error, 1)
	go func() { done <- p.ReadWriteCloser.Close() }()
	t := time.NewTimer(closing)
	defer t.Stop()
	select {
	case err := <-done:
		return err
	case <-t.C:
		return nil
	}
}
