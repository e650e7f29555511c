package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"standwatch/deploy/machine/chips"
)

// device is one instrument with its points and with what can be done to it.
type device struct {
	name   string // for the table
	shares string // the controller that it shares with another device, which one that hangs holds
	points []want
	faults []fault
}

// want is what a point must read while nothing is wrong.
type want struct {
	point     string
	value     float64 // as /metrics gives it
	tolerance float64
	unit      string
}

// fault is one thing done to a device, with the reasons of which the box must name
// one at each of the device's points, or at the points given.
type fault struct {
	name   string
	reason []string
	points []string
	grade  string // "suspect" where a value stands with that reason, "either" where it may; else "failed"
	do     func()
	mend   func()
}

// row is a line of the table.
type row struct {
	device, good, fault, said, healed string
	wrong                             string
}

const (
	step     = 400 * time.Millisecond // between looks
	patience = 15 * time.Second       // until the box has said what is wrong
	healing  = 40 * time.Second       // until it is well again: sensors.Poll opens what failed for long each half minute
	least    = 2000 * time.Millisecond
)

// trial does to the devices what their faults say, several at once but never the
// same on a whole bus, and notes what the box said.
type trial struct {
	devices []device
	rows    []row
	now     map[string]*said
}

// look asks the box, and tells whether it answered.
func (t *trial) look() error {
	all, err := listen()
	if err != nil {
		return err
	}
	t.now = all
	return nil
}

// good reports whether a device reads what it should, or why not. Points given are left out.
func (t *trial) good(d device, without ...string) (ok bool, why string) {
	for _, w := range d.points {
		if slices.Contains(without, w.point) {
			continue
		}
		s := t.now[w.point]
		switch {
		case s == nil || s.count == 0:
			return false, w.point + ": no reading yet"
		case s.health != "good" || !s.known:
			return false, fmt.Sprintf("%s: %s %s", w.point, s.health, s.reason)
		case math.Abs(s.value-w.value) > w.tolerance:
			return false, fmt.Sprintf("%s reads %v, not %v", w.point, s.value, w.value)
		}
	}
	return true, ""
}

// shows writes a device's readings for the table.
func (t *trial) shows(d device) string {
	var parts []string
	for _, w := range d.points {
		if s := t.now[w.point]; s != nil {
			parts = append(parts, fmt.Sprintf("%.6g %s", s.value, w.unit))
		}
	}
	return strings.Join(parts, ", ")
}

// begin waits until every device reads what it should.
func (t *trial) begin(since time.Time) error {
	var first error
	at := map[string]time.Duration{}
	for time.Since(since) < patience {
		time.Sleep(step)
		if first = t.look(); first != nil {
			continue
		}
		for _, d := range t.devices {
			if ok, _ := t.good(d); ok && at[d.name] == 0 {
				at[d.name] = time.Since(since)
				fmt.Printf("%-26s %s, %.1f s after the start\n", d.name, t.shows(d), at[d.name].Seconds())
			}
		}
		if len(at) == len(t.devices) {
			break
		}
	}
	if first != nil {
		return first
	}
	for _, d := range t.devices {
		r := row{device: d.name, good: t.shows(d), fault: "-", said: "good", healed: fmt.Sprintf("%.1f s after the start", at[d.name].Seconds())}
		if at[d.name] == 0 {
			_, r.wrong = t.good(d)
			r.said, r.healed = r.wrong, "-"
		}
		t.rows = append(t.rows, r)
	}
	return nil
}

// one is a fault under way.
type one struct {
	d      device
	f      fault
	said   map[string]string
	after  time.Duration
	healed time.Duration
}

// told notes what the box says of a faulted device and reports whether it has named a
// right reason at each of the points concerned.
func (o *one) told(now map[string]*said) bool {
	points := o.f.points
	if points == nil {
		for _, w := range o.d.points {
			points = append(points, w.point)
		}
	}
	all := true
	for _, p := range points {
		s := now[p]
		if s != nil && s.health != "good" && s.reason != "" {
			o.said[p] = s.health + ", " + s.reason
		}
		all = all && s != nil && (s.health == cmp.Or(o.f.grade, "failed") || o.f.grade == "either" && s.health != "good") && slices.Contains(o.f.reason, s.reason)
	}
	return all
}

// round does one fault to each of some devices and mends them.
func (t *trial) round(faults []*one) error {
	begun := time.Now()
	if err := t.look(); err != nil {
		return err
	}
	before := map[string]float64{}
	for p, s := range t.now {
		before[p] = s.count
	}
	for _, o := range faults {
		o.said = map[string]string{}
		o.f.do()
	}
	well := map[string]string{} // healthy devices that were not
	waiting := len(faults)
	for waiting > 0 && time.Since(begun) < patience || time.Since(begun) < least {
		time.Sleep(step)
		if err := t.look(); err != nil {
			return err
		}
		waiting = 0
		for _, o := range faults {
			switch told := o.told(t.now); {
			case told && o.after == 0:
				o.after = time.Since(begun)
			case o.after == 0:
				waiting++
			}
		}
		t.others(faults, well)
	}
	for _, d := range t.devices {
		without, all := touched(d, faults)
		for _, w := range d.points {
			if all || slices.Contains(without, w.point) {
				continue
			}
			if s := t.now[w.point]; s == nil || s.count == before[w.point] {
				well[d.name] = w.point + " fell silent"
			}
		}
	}
	mended := time.Now()
	for _, o := range faults {
		o.f.mend()
	}
	waiting = len(faults)
	for waiting > 0 && time.Since(mended) < healing {
		time.Sleep(step)
		if err := t.look(); err != nil {
			return err
		}
		waiting = 0
		for _, o := range faults {
			switch ok, _ := t.good(o.d); {
			case ok && o.healed == 0 && time.Since(mended) > 2*step: // what stood before the fault does not count
				o.healed = time.Since(mended)
			case o.healed == 0:
				waiting++
			}
		}
		t.others(faults, well)
	}
	t.note(faults, well)
	return nil
}

// touched tells to which points of a device something was done: some, or all. One whose neighbour
// hangs on the controller of both is touched as a whole.
func touched(d device, faults []*one) (points []string, all bool) {
	for _, o := range faults {
		if d.shares != "" && o.d.shares == d.shares && o.f.name == chips.Hung.String() {
			return nil, true
		}
		if o.d.name == d.name {
			return o.f.points, o.f.points == nil
		}
	}
	return nil, false
}

// others notes what is wrong with points to which nothing was done.
func (t *trial) others(faults []*one, well map[string]string) {
	for _, d := range t.devices {
		without, all := touched(d, faults)
		if all {
			continue
		}
		if ok, why := t.good(d, without...); !ok && well[d.name] == "" {
			well[d.name] = why
		}
	}
}

// note writes a round's rows.
func (t *trial) note(faults []*one, well map[string]string) {
	for _, o := range faults {
		var said []string
		for _, w := range o.d.points {
			if s := o.said[w.point]; s != "" && !slices.Contains(said, s) {
				said = append(said, s)
			}
		}
		r := row{device: o.d.name, fault: o.f.name, said: strings.Join(said, "; "), healed: fmt.Sprintf("%.1f s", o.healed.Seconds())}
		if o.after == 0 {
			r.wrong = fmt.Sprintf("within %v the box did not say %s", patience, strings.Join(o.f.reason, " or "))
		}
		if o.healed == 0 {
			_, why := t.good(o.d)
			r.healed = "not"
			r.wrong = strings.TrimPrefix(r.wrong+"; not healed: "+why, "; ")
		}
		if r.wrong != "" {
			fmt.Println("WRONG:", r.device, r.fault, r.said, r.wrong) // long before the table
		}
		t.rows = append(t.rows, r)
	}
	for _, d := range t.devices {
		if why := well[d.name]; why != "" {
			var names []string
			for _, o := range faults {
				names = append(names, o.d.name+" "+o.f.name)
			}
			t.rows = append(t.rows, row{device: d.name, fault: "none, but at others", said: why, healed: "-",
				wrong: why + " while: " + strings.Join(names, "; ")})
		}
	}
}

// run does every fault of every device. In a round a device has the fault of the
// round's number and its own place, so that never a whole bus has the same.
func (t *trial) run(since time.Time) error {
	if slices.ContainsFunc(t.rows, func(r row) bool { return r.wrong != "" }) {
		return nil // what never was good cannot heal
	}
	rounds := 0
	for _, d := range t.devices {
		rounds = max(rounds, len(d.faults)+1)
	}
	for n := range rounds {
		var faults []*one
		for i, d := range t.devices {
			if k := (n + i) % rounds; k < len(d.faults) {
				faults = append(faults, &one{d: d, f: d.faults[k]})
			}
		}
		if err := t.round(faults); err != nil {
			return err
		}
		fmt.Printf("round %d of %d: %d faults, at %.0f s\n", n+1, rounds, len(faults), time.Since(since).Seconds())
	}
	return nil
}

// table prints what was noted and counts what was wrong.
func (t *trial) table() (wrong int) {
	order := map[string]int{}
	for i, d := range t.devices {
		order[d.name] = i
	}
	slices.SortStableFunc(t.rows, func(a, b row) int { return order[a.device] - order[b.device] })
	fmt.Printf("\n%-26s %-28s %-22s %-34s %s\n", "device", "good reading", "fault", "the box said", "good again after")
	last := ""
	for _, r := range t.rows {
		name := r.device
		if name == last {
			name = ""
		}
		last = r.device
		fmt.Printf("%-26s %-28s %-22s %-34s %s\n", name, r.good, r.fault, r.said, r.healed)
		if r.wrong != "" {
			fmt.Printf("    WRONG: %s\n", r.wrong)
			wrong++
		}
	}
	fmt.Println()
	return wrong
}
