package serialscale

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/sensors"
	"standwatch/sensors/sensortest"
)

const (
	byID    = "/dev/serial/by-id/usb-indicator-0001-port0"
	pattern = "{ST=stable|US=motion|OL=overload|UL=underload}, {GS=gross|NT=net},{value} {unit}"
)

// scalar is a value as the site file gives it.
func scalar(text string) sensors.Node {
	return sensors.Node{File: "site.yaml", Line: 3, Column: 9, Kind: sensors.Scalar, Text: text}
}

func scale(pairs ...string) sensors.Point {
	n := sensors.Node{File: "site.yaml", Line: 3, Column: 5, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i], Line: 3, Col: 7, Value: scalar(pairs[i+1])})
	}
	return sensors.Point{Name: "scale", Quantity: sensors.Mass, Unit: "kg", Every: time.Second, Settings: n}
}

// line is a serial line with an indicator at its other end, as far as the driver can tell.
type line struct {
	scene sensortest.Scene
	mu    sync.Mutex
	sends func(asked string) string // what comes next; "" is silence
	asked string
	gone  error
	end   chan struct{}
	once  sync.Once
}

func newLine(scene sensortest.Scene, sends func(string) string) *line {
	return &line{scene: scene, sends: sends, end: make(chan struct{})}
}

var errClosed = errors.New("port has been closed")

func (l *line) Read(b []byte) (int, error) {
	wait := 100 * time.Millisecond
	if l.scene == sensortest.Stuck {
		wait = 30 * time.Second
	}
	select {
	case <-l.end:
		return 0, errClosed
	case <-time.After(wait):
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.gone != nil {
		return 0, l.gone
	}
	s := l.sends(l.asked)
	l.asked = ""
	return copy(b, s), nil
}

func (l *line) Write(b []byte) (int, error) {
	if l.scene == sensortest.Stuck {
		time.Sleep(30 * time.Second)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked += string(b)
	return len(b), nil
}

func (l *line) Close() error {
	l.once.Do(func() { close(l.end) })
	return nil
}

func sending(text string) func(sensortest.Scene) (sensors.Env, func()) {
	return func(scene sensortest.Scene) (sensors.Env, func()) {
		return sensors.Env{Serial: func(path string, l sensors.SerialLine) (io.ReadWriteCloser, error) {
			if want := (sensors.SerialLine{Baud: 9600, DataBits: 8, Parity: "none", StopBits: 1}); path != byID || l != want {
				return nil, fmt.Errorf("opened as %s %+v", path, l)
			}
			first := true
			return newLine(scene, func(string) string {
				switch {
				case scene == sensortest.Absent:
					return ""
				case scene == sensortest.Garbled:
					return strings.ReplaceAll(text, "0", "\xB0")
				case first: // opened in the middle of a line
					first = false
					return text[len(text)/2:]
				}
				return text
			}), nil
		}}, nil
	}
}

func TestConformanceContinuous(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver:  Driver(),
		Config:  sensors.Config{Name: byID, Points: []sensors.Point{scale("port", byID, "frame", pattern)}},
		World:   sending("ST,GS,+0031.250kg\r\n"),
		Want:    []sensors.Reading{{Point: "scale", Value: 31.25}, {Point: "scale", Value: 31.25}},
		Garbled: sensors.ReasonGarbage,
		Absent:  sensors.ReasonDisconnected,
	})
}

func TestConformancePolled(t *testing.T) {
	t.Parallel()
	sensortest.Run(t, sensortest.Suite{
		Driver: Driver(),
		Config: sensors.Config{Name: byID, Points: []sensors.Point{scale("port", byID, "ask", `W\r`, "begins", "STX", "ends", "ETX", "frame", "{S=stable|D=motion} {value:8}{xor}")}},
		World: func(scene sensortest.Scene) (sensors.Env, func()) {
			return sensors.Env{Serial: func(string, sensors.SerialLine) (io.ReadWriteCloser, error) {
				return newLine(scene, func(asked string) string {
					if asked != "W\r" || scene == sensortest.Absent {
						return ""
					}
					frame := "S   31.250"
					sum := fmt.Sprintf("%02X", checkSum([]byte(frame), xor))
					if scene == sensortest.Garbled {
						frame = "S   37.250"
					}
					return "\x02" + frame + sum + "\x03\r\n"
				}), nil
			}}, nil
		},
		Want:    []sensors.Reading{{Point: "scale", Value: 31.25}},
		Garbled: sensors.ReasonCRC,
		Absent:  sensors.ReasonDisconnected,
	})
}

// Lines of the families that indicators' manuals describe (common practice), and what must become of them.
func TestLines(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ patterns, line, want string }{
		{pattern, "ST,GS,+0012.345kg", "good 12.345"},
		{pattern, "ST,GS,+  12.345 KG", "good 12.345"},
		{pattern, "ST, GS,   5.12kg ", "good 5.12"},
		{pattern, "US,GS,-0000.05kg", "suspect in-motion -0.05"},
		{pattern, "US,NT,+0001.00kg", "suspect net-weight 1"},
		{pattern, "OL,GS,+------kg", "failed overload"},
		{pattern, "OL,GS,+0000.00kg", "failed overload"}, // some print zeros
		{pattern, "UL,GS,-0999.99kg", "failed underload"},
		{pattern, "ST,GS,------kg", "failed not-a-number"},
		{pattern, "ST,GS,+0012.345lb", "good 5.599598"}, // 0.45359237 kg/lb, exact by definition
		{pattern, "ST,GS,+0012.345LBS", "good 5.599598"},
		{pattern, "ST,GS,+12345.6g", "good 12.3456"},
		{pattern, "ST,GS,+0012.345tj", "failed wrong-unit"},
		{pattern, "ST,GS,+0012.345", "good 12.345"}, // no unit: the site file's
		{pattern, "ST,GS,+0012.345kgST,GS,+0012.345kg", "noise"},
		{pattern, "ST,GS,+0012.3.45kg", "noise"},
		{pattern, "ST,GS,+00-12.345kg", "noise"},
		{pattern, "ST,XX,+0012.345kg", "noise"},
		{pattern, "T,GS,+0012.345kg", "noise"},
		{pattern, "ST,GS,+0012.345k\xE7", "noise"},
		{pattern, "ST,GS,1234567890123kg", "noise"}, // more digits than any scale has
		{"{any:2}{value:7}{G=gross|N=net}{ =stable|M=motion|O=overload}", "01  12.50G ", "good 12.5"},
		{"{any:2}{value:7}{G=gross|N=net}{ =stable|M=motion|O=overload}", "01       GM", "failed not-a-number"},
		{"{any:2}{value:7}{G=gross|N=net}{ =stable|M=motion|O=overload}", "01  12.50GO", "failed overload"},
		{"{any:2}{value:7}{G=gross|N=net}{ =stable|M=motion|O=overload}", "01  12.5 5G ", "noise"},
		{"S {S=stable|D=motion} {value} {unit};S {+=overload|-=underload|I=fault}", "S S     100.00 g", "good 0.1"},
		{"S {S=stable|D=motion} {value} {unit};S {+=overload|-=underload|I=fault}", "S D     100.00 g", "suspect in-motion 0.1"},
		{"S {S=stable|D=motion} {value} {unit};S {+=overload|-=underload|I=fault}", "S +", "failed overload"},
		{"S {S=stable|D=motion} {value} {unit};S {+=overload|-=underload|I=fault}", "S I", "failed fault"},
		{"{value:6}{add}", "00125028", "good 1250"},
		{"{value:6}{add}", "00125000", "crc"},
	} {
		p := &port{settings: settings{point: scale(), decimal: '.'}, say: func(bool, string) {}}
		for pattern := range strings.SplitSeq(c.patterns, ";") {
			f, err := compile(pattern, '.')
			if err != nil {
				t.Fatal(err)
			}
			p.frames = append(p.frames, f)
		}
		p.take([]byte(c.line))
		got := ""
		switch {
		case p.got != nil:
			r := p.reading(*p.got)
			got = strings.ReplaceAll(r.Health.Grade.String()+" "+r.Health.Reason, "good ", "good")
			if r.Health.Grade != sensors.Failed {
				got += fmt.Sprintf(" %g", r.Value)
			}
		case p.sum:
			got = "crc"
		default:
			got = "noise"
		}
		if got != c.want {
			t.Errorf("%q by %q: %s, want %s", c.line, c.patterns, got, c.want)
		}
	}
}

// A weight in motion goes into the judgement: a cylinder that empties never settles. Net does not.
func TestWhatMayBeJudged(t *testing.T) {
	t.Parallel()
	if !(sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonMotion}).Usable() {
		t.Error("a weight in motion is not to be used")
	}
	if (sensors.Health{Grade: sensors.Suspect, Reason: reasonNet}).Usable() {
		t.Error("a net weight is used as gross")
	}
}

// Some indicators leave the unit out while in motion; it is still the one that was set.
func TestUnitNamedLast(t *testing.T) {
	t.Parallel()
	f, err := compile(pattern, '.')
	if err != nil {
		t.Fatal(err)
	}
	p := &port{settings: settings{point: scale(), decimal: '.', frames: []*frame{f}}}
	for _, c := range []struct {
		line string
		want float64
	}{{"US,GS,10.0", 10}, {"ST,GS,10.0lb", 4.535924}, {"US,GS,10.0", 4.535924}, {"ST,GS,10.0kg", 10}, {"US,GS,10.0", 10}} {
		p.got = nil
		p.take([]byte(c.line))
		if r := p.reading(*p.got); r.Value != c.want {
			t.Errorf("%s: %g, want %g", c.line, r.Value, c.want)
		}
	}
}

func TestNumbers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text     string
		decimal  byte
		decimals int
		want     float64
	}{
		{"+0012.345", '.', 0, 12.345}, {"- 12,5", ',', 0, -12.5}, {"0001250", '.', 2, 12.5}, {"12.5", '.', 2, 12.5}, {"-0", '.', 0, 0}, {".5", '.', 0, 0.5}, {"5.", '.', 0, 5},
	} {
		if v, has, ok := number(c.text, c.decimal, c.decimals); v != c.want || !has || !ok {
			t.Errorf("%q: %g %t %t, want %g", c.text, v, has, ok, c.want)
		}
	}
	for _, text := range []string{"1 2", "1,5", "--1", "+-1", "1-", "1e3", "0x1", "1.2.3"} {
		if v, _, ok := number(text, '.', 0); ok {
			t.Errorf("%q is read as %g", text, v)
		}
	}
}

// After noise the line is found again, and not a byte later than its next beginning.
func TestResync(t *testing.T) {
	t.Parallel()
	noise := strings.Repeat("\xFF\x00\x7F", 200)
	for _, c := range []struct {
		l    lines
		came string
		want string
		over int
	}{
		{lines{}, "345kg\r\nST,GS,1kg\r\nST,GS,2kg\r\n", "ST,GS,1kg|ST,GS,2kg", 0},
		{lines{}, "\r\nST,1\rST,2\nST,3\r\n", "ST,1|ST,2|ST,3", 0},
		{lines{}, "\n" + noise + "\r\nST,1\r\n", "ST,1", 1},
		{lines{stx: true}, "1\r\x02A1\r99\x02B\x02A2\rx\r", "A1|A2", 0},
		{lines{stx: true, etx: true}, "5\x03\r\n\x02A1\x03\r\n\x02A2\x03", "A1|A2", 0},
		{lines{etx: true}, "5\x03\r\nA1\x03\r\nA2\x03", "A1|A2", 0},
		{lines{stx: true, etx: true}, "\x02" + noise + "\x02A1\x03", "A1", 1},
	} {
		for _, piece := range []int{1, 3, len(c.came)} { // however it arrives
			l, over := c.l, 0
			var got []string
			for rest := c.came; rest != ""; {
				n := min(piece, len(rest))
				over += l.feed([]byte(rest[:n]), func(b []byte) { got = append(got, string(b)) })
				rest = rest[n:]
			}
			if strings.Join(got, "|") != c.want || over != c.over {
				t.Errorf("%q in pieces of %d: %q, %d too long; want %q, %d", c.came, piece, got, over, c.want, c.over)
			}
		}
	}
}

func TestPatternFaults(t *testing.T) {
	t.Parallel()
	for pattern, want := range map[string]string{
		"":                         "is empty",
		strings.Repeat("x", 121):   "longer than 120",
		"{value":                   "a { without its }",
		"value}":                   "a } without its {",
		"{weight}":                 "{weight}, which is not known",
		"{value:x}":                "width is no number",
		"{any:0}":                  "width is no number",
		"{ST=steady},{value}":      `"steady" is no meaning; write one of stable`,
		"{ST=stable|ST=motion}":    "stands there twice",
		"{=stable},{value}":        `"=stable" should be TEXT=meaning`,
		"{value}{value}":           "has {value} twice",
		"{ST=stable},kg":           "has no {value}",
		"\x02{value}":              `the character '\x02'`,
		"{value}°":                 "plain letters",
		"{ST=stable|US},{value:3}": `"US" should be TEXT=meaning`,
	} {
		if _, err := compile(pattern, '.'); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", pattern, err, want)
		}
	}
}

// Every fault of the settings has its place and its sentence.
func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	other := scale("port", byID, "frame", "{value}")
	other.Name = "second"
	wrong := scale("port", byID, "frame", "{value}")
	wrong.Quantity = sensors.Temperature
	empty := scale("port", byID)
	empty.Settings.Fields = append(empty.Settings.Fields, sensors.Field{Key: "frame", Value: sensors.Node{Kind: sensors.List, File: "site.yaml", Line: 4, Column: 2}})
	for want, ps := range map[string][]sensors.Point{
		"has the point scale already; one indicator shows one weight": {scale("port", byID, "frame", "{value}"), other},
		"port: /dev/ttyUSB0 is numbered in the order of plugging":     {scale("port", "/dev/ttyUSB0", "frame", "{value}")},
		"port: /dev/ttyACM1 is numbered in the order of plugging":     {scale("port", "/dev/ttyACM1", "frame", "{value}")},
		"port: COM1 is no serial port; write its path under /dev/":    {scale("port", "COM1", "frame", "{value}")},
		"port is missing":                                      {scale("frame", "{value}")},
		"frame is missing":                                     {scale("port", byID)},
		"frame: the list is empty":                             {empty},
		`frame: "{vlaue}" has {vlaue}`:                         {scale("port", byID, "frame", "{vlaue}")},
		"shows mass, not temperature":                          {wrong},
		`ask: "\\q" is not what can be sent`:                   {scale("port", byID, "frame", "{value}", "ask", `\q`)},
		`baud: "fast" is not a number`:                         {scale("port", byID, "frame", "{value}", "baud", "fast")},
		`parity: "evne" is not known here; did you mean even?`: {scale("port", byID, "frame", "{value}", "parity", "evne")},
		`unknown key "adress"`:                                 {scale("port", byID, "frame", "{value}", "adress", "1")},
	} {
		_, err := newSource(sensors.Env{}, sensors.Config{Name: byID, Points: ps})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if _, err := newSource(sensors.Env{}, sensors.Config{Name: "/dev/ttyS0", Points: []sensors.Point{scale("port", "/dev/ttyS0", "frame", "{value}")}}); err != nil {
		t.Errorf("a port of the board itself is refused: %v", err)
	}
}

// An evening: it weighs, its cable is pulled and put back, it is switched off and on, somebody changes its baud rate, a
// motor starts beside the cable. Each has its reason and its sentence, and each heals.
func TestEvening(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		good := "ST,GS,+0031.250kg\r\n"
		var mu sync.Mutex
		now, unplugged := good, false
		var sentences []string
		var noises atomic.Int64
		env := sensors.Env{
			Serial: func(string, sensors.SerialLine) (io.ReadWriteCloser, error) {
				mu.Lock()
				defer mu.Unlock()
				if unplugged {
					return nil, errors.New("there is no such port")
				}
				var l *line
				l = newLine(sensortest.Good, func(string) string {
					mu.Lock()
					defer mu.Unlock()
					if unplugged {
						l.gone = errClosed
					}
					return now
				})
				return l, nil
			},
			Status: func(device string, ok bool, sentence string) {
				mu.Lock()
				defer mu.Unlock()
				sentences = append(sentences, fmt.Sprintf("%t %s", ok, sentence))
			},
			Count: func(what string) {
				if what == "serial-noise" {
					noises.Add(1)
				}
			},
		}
		source, err := Driver().New(env, sensors.Config{Name: byID, Points: []sensors.Point{scale("port", byID, "frame", pattern)}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var last sensors.Health
		var done sync.WaitGroup
		done.Go(func() {
			_ = source.Run(ctx, func(d sensors.Delivery) {
				mu.Lock()
				defer mu.Unlock()
				last = d.Readings[len(d.Readings)-1].Health
			})
		})
		step := func(what, reason, sentence string, change func()) {
			t.Helper()
			mu.Lock()
			change()
			mu.Unlock()
			time.Sleep(40 * time.Second)
			mu.Lock()
			defer mu.Unlock()
			if last.Reason != reason || len(sentences) == 0 || !strings.Contains(sentences[len(sentences)-1], sentence) {
				t.Errorf("%s: %+v and %q, want %q and %q", what, last, sentences, reason, sentence)
			}
		}
		step("it weighs", "", "true Sends weights.", func() {})
		step("unplugged", sensors.ReasonDisconnected, "false Cannot be opened: there is no such port", func() { unplugged = true })
		step("plugged in", "", "true Sends weights.", func() { unplugged = false })
		step("switched off", sensors.ReasonDisconnected, "false Is open, but nothing comes.", func() { now = "" })
		step("switched on", "", "true Sends weights.", func() { now = good })
		step("wrong baud rate", sensors.ReasonGarbage, `false Sends what frame does not describe, such as "\xf1\xe0"`, func() { now = "\xF1\xE0\r" })
		step("baud rate right", "", "true Sends weights.", func() { now = good })
		before := noises.Load()
		step("noise between the lines", "", "true Sends weights.", func() { now = "\x80\xFF\r\n" + good })
		if noises.Load() <= before {
			t.Error("noise is not counted")
		}
		step("other unit", sensors.ReasonUnit, "true", func() { now = "ST,GS,+0031.250tj\r\n" })
		step("overload", sensors.ReasonOverload, "true", func() { now = "OL,GS,+------kg\r\n" })
		step("in motion", sensors.ReasonMotion, "true", func() { now = "US,GS,+0031.250kg\r\n" })
		step("tare was pressed", "net-weight", "true", func() { now = "ST,NT,+0000.000kg\r\n" })
		cancel()
		done.Wait()
	})
}

// Whatever comes over the wire, a frame is taken whole or not at all, and a reading is a value or a reason.
func FuzzLine(f *testing.F) {
	for _, s := range []string{"ST,GS,+0012.345kg", "OL,GS,------kg", "US, NT,-  1.5 lb", "ST,GS,kg", "\x02ST\x03", "ST,GS,+-1kg"} {
		f.Add(pattern, s, false)
	}
	f.Add("{value:8}{xor}", "   12.5000", true)
	f.Add("{any:2}{value}{ =stable|M=motion}", "0112,5 ", true)
	f.Fuzz(func(t *testing.T, pattern, text string, comma bool) {
		decimal := byte('.')
		if comma {
			decimal = ','
		}
		fr, err := compile(pattern, decimal)
		if err != nil {
			return
		}
		p := &port{settings: settings{point: scale(), decimal: decimal, frames: []*frame{fr}}}
		l := lines{synced: true}
		l.feed([]byte(text+"\r\n"), func(line []byte) {
			if len(line) > longest {
				t.Errorf("a line of %d", len(line))
			}
			p.take(line)
		})
		if p.got == nil {
			return
		}
		r := p.reading(*p.got)
		if (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") || r.Health.Grade == sensors.Failed && r.Value != 0 || r.Value != sensors.Mass.Round(r.Value) {
			t.Errorf("%q by %q: %+v", text, pattern, r)
		}
	})
}
