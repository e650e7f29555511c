// Package horn sounds the horn and lights the lamp that hang at the box by a
// wire, while a person must act. It needs no network and no phone. It never
// reads an output back: to read one turns it into an input.
package horn

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// Config is one output, as the site file has it.
type Config struct {
	Name    string
	Line    string // the GPIO line's name: numbers differ from one kernel to the next
	Light   bool   // it stays on until the flags are cleared; else it sounds until they are acknowledged
	Least   rules.Urgency
	Low     bool          // on is the low level
	Longest time.Duration // of sounding for one wake: neighbours sleep
}

// Read reads `outputs` of the site file's box.
func Read(n sensors.Node, faults *[]error) (all []Config) {
	items := n.Items
	if n.Kind == sensors.Mapping {
		items = []sensors.Node{n}
	} else if n.Kind != sensors.Nothing && n.Kind != sensors.List {
		*faults = append(*faults, n.Fault("outputs should be a list", "write [{name: horn, gpio: GPIO17, does: sound}]"))
	}
	names, lines := map[string]bool{}, map[string]bool{}
	for _, one := range items {
		d := sensors.Decode(one, faults)
		c := Config{
			Name:    d.Required("name"),
			Line:    d.Required("gpio"),
			Light:   d.OneOf("does", "sound", "sound", "light") == "light",
			Least:   map[string]rules.Urgency{"wake": rules.Wake, "tell": rules.Tell}[d.OneOf("for", "wake", "wake", "tell")],
			Low:     d.OneOf("active", "high", "high", "low") == "low",
			Longest: d.Time("longest", 10*time.Minute),
		}
		if names[c.Name] {
			d.Fail(d.Node("name"), fmt.Sprintf("there is an output %q already", c.Name), "give each its own name")
		}
		if lines[c.Line] && c.Line != "" {
			d.Fail(d.Node("gpio"), fmt.Sprintf("the line %s has an output already", c.Line), "one output a line")
		}
		if strings.Trim(c.Line, "0123456789") == "" && c.Line != "" {
			d.Fail(d.Node("gpio"), fmt.Sprintf("gpio: %s is a number, and numbers differ from one kernel to the next", c.Line), "write the line's name, such as GPIO17")
		}
		if c.Longest < 10*time.Second {
			d.Fail(d.Node("longest"), "longest is too short to be heard", "write 10s or more")
		}
		names[c.Name], lines[c.Line] = true, true
		d.Done()
		all = append(all, c)
	}
	return all
}

// Pin is an output line.
type Pin interface {
	Out(gpio.Level) error
	Halt() error
}

// Parts is what an output is made of.
type Parts struct {
	Config Config
	Open   func(line string) (Pin, error)
	Flags  func() []rules.Flag                           // the open ones
	Watch  func() (changed <-chan struct{}, stop func()) // gets a value when they may have changed
	Log    *slog.Logger
}

// Output drives one line. It is a follower, so that the Box page shows it.
type Output struct {
	p Parts

	mu    sync.Mutex
	state journal.FollowerState
}

// New makes an output. It touches nothing.
func New(p Parts) *Output {
	return &Output{p: p, state: journal.FollowerState{Name: "output:" + p.Config.Name, Sentence: "not started yet"}}
}

// State says how the output stands.
func (o *Output) State() journal.FollowerState {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.state
}

func (o *Output) say(ok bool, sentence string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.state.OK && !ok {
		o.p.Log.Error("an output at the box does not work", "output", o.p.Config.Name, "why", sentence)
	}
	o.state.OK, o.state.Sentence = ok, sentence
}

const (
	beat    = time.Second // on, and off, of a horn (our choice)
	reopens = 30 * time.Second
)

// Run drives the line until ctx ends. What does not work is said and tried
// again; it stops nothing else.
func (o *Output) Run(ctx context.Context) error {
	for ctx.Err() == nil {
		pin, err := o.p.Open(o.p.Config.Line)
		if err == nil {
			err = o.drive(ctx, pin)
			_ = pin.Out(o.level(false)) // as far as it still can
			_ = pin.Halt()
		}
		if err != nil && ctx.Err() == nil {
			o.say(false, fmt.Sprintf("It would not sound or light: %v. Look at its name in the site file and at its wire; it is tried again.", err))
			select {
			case <-ctx.Done():
			case <-time.After(reopens):
			}
		}
	}
	return ctx.Err()
}

func (o *Output) level(on bool) gpio.Level { return gpio.Level(on != o.p.Config.Low) }

// drive sets the line by the flags until ctx ends or the line fails. The level
// is set anew at each beat, so that a line that was lost is noticed.
func (o *Output) drive(ctx context.Context, pin Pin) error {
	changed, stop := o.p.Watch()
	defer stop()
	tick := time.NewTicker(beat)
	defer tick.Stop()
	var newest uint64 // of the flags that it sounds for
	loud, beats := false, 0
	for {
		want, last, sentence := o.wanted()
		if last > newest { // another one: it sounds anew
			newest, loud, beats = last, true, 0
			tick.Reset(beat)
		}
		on := want
		if !o.p.Config.Light {
			if time.Duration(beats)*beat >= o.p.Config.Longest {
				want, sentence = false, "rests: it has sounded for as long as it may, and nobody has acknowledged"
			}
			on = want && loud
		}
		if err := pin.Out(o.level(on)); err != nil {
			return err
		}
		o.say(true, sentence)
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		case <-tick.C:
			loud = !loud
			beats++
		}
	}
}

// wanted says whether it is to be on, and which flag is the newest of those
// that want it.
func (o *Output) wanted() (on bool, newest uint64, sentence string) {
	var names []string
	for _, f := range o.p.Flags() {
		if f.Urgency < o.p.Config.Least || !o.p.Config.Light && f.Acknowledged {
			continue
		}
		newest = max(newest, f.Seq)
		names = append(names, f.Flag)
	}
	if len(names) == 0 {
		return false, 0, "ready, and off"
	}
	return true, newest, "on, for " + strings.Join(names, ", ")
}
