// Package contact watches dry contacts on GPIO lines: an auxiliary contact of a power relay, a float
// switch in a drain pan.
//
// A line is known by its name, never by a number: numbers of lines differ from one kernel to the next. A
// contact switches the line against the pull: closed is low where the line is pulled up. It is read at every
// change and each `every`; a change counts once the line has been still for the debounce time, for contacts bounce for
// some milliseconds (common practice: under 20 ms for small relays).
//
// # What is no contact
//
// A line that does not come to rest for a second is told as chatter: a loose wire, or alternating current at
// the line, which turns over 100 or 120 times a second. Nothing tells a broken wire from an open contact; where that
// matters take a contact that is normally closed. A line that the kernel can no longer read looks low to
// who reads it by periph.io/x/host (v3.8.5, gpioioctl: the error is only logged), so each low is made sure of by setting the line up once
// more, which does fail.
//
// # Settings
//
//	contact: {gpio: GPIO17, pull: up, closed: low, normally: open, debounce: 50ms}
//
// These are the usual ones; only gpio must be given. The value is 1 where what is watched is so (power on, water high): a contact that
// is normally open has closed, one that is normally closed has opened.
//
// Contacts at the box are dry and at its own low voltage. Mains is sensed by a relay or an opto-coupler made for
// it, wired by who may do that.
package contact

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"

	"standwatch/sensors"
)

// Driver is the driver for contacts on GPIO lines.
func Driver() sensors.Driver {
	return sensors.Driver{
		Name:   "contact",
		Doc:    "dry contacts on GPIO lines, by the line's name",
		Device: "gpio",
		New:    newSource,
	}
}

const reasonChatter = "chatter" // it does not come to rest

const (
	longest  = 2 * time.Second        // a line that is set up or read: a kernel's own lines take microseconds, an adapter's a few milliseconds
	slice    = 200 * time.Millisecond // of waiting for an edge: so long a line may hold up the end
	restless = time.Second            // without a debounce time of rest
	steps    = 4                      // looks in a debounce time
)

// settings are one contact's.
type settings struct {
	point    sensors.Point
	line     string
	pull     gpio.Pull
	low      bool // closed is low
	opens    bool // normally closed: what it watches opens it
	debounce time.Duration
}

func newSource(env sensors.Env, c sensors.Config) (sensors.Source, error) {
	var faults []error
	var all []settings
	for i, p := range c.Points {
		d := sensors.Decode(p.Settings, &faults)
		all = append(all, read(p, d))
		if i > 0 {
			d.Fail(p.Settings, fmt.Sprintf("the line %s has the point %s already", all[i].line, c.Points[0].Name), "one contact a line")
		}
		d.Done()
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	s := all[0]
	pace := env.Pacer(c.Points)
	open := func(ctx context.Context) (sensors.Probe, error) {
		l, err := open(ctx, env, s, pace)
		if env.Status != nil && ctx.Err() == nil {
			if err != nil {
				env.Status("contact "+s.line, false, fmt.Sprintf("Cannot be read: %v. Look at the line's name in the site file; it is tried again.", err))
			} else {
				env.Status("contact "+s.line, true, "Is watched.")
			}
		}
		if err != nil {
			return nil, err
		}
		return l, nil
	}
	// Read itself waits for a change, or for the time.
	return sensors.Poll([]string{s.point.Name}, open, func() time.Duration { return 0 }), nil
}

func read(p sensors.Point, d *sensors.Decoder) settings {
	s := settings{point: p, line: d.Required("gpio", "GPIO17")}
	if s.line != "" && strings.Trim(s.line, "0123456789") == "" {
		d.Fail(d.Node("gpio"), fmt.Sprintf("gpio: %s is a number, and numbers differ from one kernel to the next", s.line), "write the line's name, such as GPIO17")
	}
	if p.Quantity != sensors.Contact {
		d.Fail(p.Settings, fmt.Sprintf("a contact is open or closed, and measures no %s", p.Quantity), "write measures: contact")
	}
	pull := d.OneOf("pull", "up", "up", "down", "none")
	s.pull = map[string]gpio.Pull{"up": gpio.PullUp, "down": gpio.PullDown, "none": gpio.Float}[pull]
	closed := map[string]string{"up": "low", "down": "high"}[pull]
	if _, given := d.Given("closed"); pull == "none" && !given {
		d.Fail(d.Node("pull"), "without a pull of the line's own nothing tells what a closed contact does", "add closed: low or high")
	}
	s.low = d.OneOf("closed", closed, "low", "high") == "low"
	s.opens = d.OneOf("normally", "open", "open", "closed") == "closed"
	s.debounce = d.Time("debounce", 50*time.Millisecond)
	if least, most := 4*time.Millisecond, 500*time.Millisecond; s.debounce < least || s.debounce > most {
		d.Fail(d.Node("debounce"), fmt.Sprintf("debounce: %s is out of range", s.debounce), fmt.Sprintf("write a time from %s to %s", least, most))
	}
	return s
}

// line is an open line with its contact.
type line struct {
	settings
	gpio.PinIn
	pace  func() time.Duration
	edge  gpio.Edge  // none where the kernel tells none
	level gpio.Level // at rest
	state state      // as told last
}

// state is what is told of a contact.
type state uint8

const (
	unknown state = iota
	off
	on
	chatters
)

func open(ctx context.Context, env sensors.Env, s settings, pace func() time.Duration) (*line, error) {
	if env.GPIO == nil {
		return nil, errors.New("this machine has no GPIO lines")
	}
	l := &line{settings: s, pace: pace, edge: gpio.BothEdges}
	_, err := sensors.Within(ctx, longest, func() (bool, error) {
		pin, err := env.GPIO(s.line)
		if err != nil {
			return false, err
		}
		l.PinIn = pin
		if err := pin.In(s.pull, gpio.BothEdges); err == nil {
			return true, nil
		}
		l.edge = gpio.NoEdge
		return false, pin.In(s.pull, gpio.NoEdge)
	}, nil)
	if err != nil {
		return nil, err
	}
	return l, nil
}

// Read waits for a change, or until it is time to say how the contact is.
func (l *line) Read(ctx context.Context) ([]sensors.Reading, error) {
	due := time.NewTimer(l.pace())
	defer due.Stop()
	for late := l.state == unknown; ; {
		if !late {
			s, err := l.look(ctx, slice, false)
			if err != nil {
				return nil, err
			}
			select {
			case <-due.C:
				late = true
			default:
			}
			if !late && !s.edge && s.level == l.level {
				continue
			}
		}
		s, err := l.settle(ctx)
		if err != nil {
			return nil, err
		}
		if late || s != l.state {
			l.state = s
			return []sensors.Reading{l.reading()}, nil
		}
	}
}

// settle waits until the contact has been still for the debounce time.
func (l *line) settle(ctx context.Context) (state, error) {
	step := l.debounce / steps
	last, err := l.look(ctx, 0, true)
	calm := 0
	for n := 0; err == nil && calm < steps; n++ {
		if time.Duration(n)*step > restless+l.debounce {
			l.level = last.level
			return chatters, nil
		}
		before := last.level
		if last, err = l.look(ctx, step, true); last.edge || last.level != before {
			calm = 0
			continue
		}
		calm++
	}
	if err == nil && last.level == gpio.Low { // or nobody could read it
		_, err = sensors.Within(ctx, longest, func() (bool, error) { return true, l.In(gpio.PullNoChange, l.edge) }, nil)
	}
	if err != nil {
		return unknown, err
	}
	l.level = last.level
	if closed := (last.level == gpio.Low) == l.low; closed != l.opens {
		return on, nil
	}
	return off, nil
}

// seen is what a look shows.
type seen struct {
	edge  bool
	level gpio.Level
}

// look waits for an edge, at most so long, and sees the level then. With whole it lasts as long even
// with an edge: a line that flutters is not to keep a processor busy. Without an edge it always does, also
// where the kernel tells none.
func (l *line) look(ctx context.Context, wait time.Duration, whole bool) (seen, error) {
	return sensors.Within(ctx, wait+longest, func() (s seen, err error) {
		if wait > 0 {
			t := time.NewTimer(wait)
			defer t.Stop()
			s.edge = l.edge != gpio.NoEdge && l.WaitForEdge(wait)
			if whole || !s.edge {
				<-t.C
			}
		}
		s.level = l.PinIn.Read()
		return s, nil
	}, nil)
}

// Close lets go of the line.
func (l *line) Close() error { return l.Halt() }

func (l *line) reading() sensors.Reading {
	switch l.state {
	case on:
		return sensors.Reading{Point: l.point.Name, Value: 1}
	case off:
		return sensors.Reading{Point: l.point.Name}
	}
	return sensors.Reading{Point: l.point.Name, Health: sensors.Health{Grade: sensors.Failed, Reason: reasonChatter}}
}
