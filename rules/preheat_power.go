package rules

import (
	"math"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode"

	"standwatch/sensors"
)

// What is known of the outdoor unit's power: by points that measure it, or by
// what people tell.

// spell is a span of the step's time.
type spell struct{ from, to time.Duration }

// state is a spell in which a power input has said the same, heard often enough.
type state struct {
	spell
	on bool
}

// supply is one power input: a point, or what people tell.
type supply struct {
	point  sensors.Point
	told   bool // by marks: what was told last holds
	least  float64
	bridge time.Duration
	states []state
	cut    bool // what is heard next is no continuation: the box was off for nobody knows how long
	low    time.Duration
	isLow  bool // one reading under the threshold, of a sampled current: the next one decides
}

func newSupply(p sensors.Point, step Step) *supply {
	s := &supply{point: p, least: 0.5, bridge: max(powerBridge, p.Every*5/2)}
	switch p.Quantity {
	case sensors.Current:
		l, _ := limit(step, "current")
		s.least = l.Value
	case sensors.Voltage:
		l, _ := limit(step, "voltage")
		s.least = l.Value
	}
	// An input that tells changes only has a longer silence allowed to it in the site file.
	if p.SilentAfter > max(5*p.Every, 10*time.Second) {
		s.bridge = max(s.bridge, p.SilentAfter)
	}
	return s
}

// read takes a reading and reports whether more than the newest spell's end has changed.
func (s *supply) read(t time.Duration, v float64) bool {
	on := v >= s.least
	if s.point.Quantity == sensors.Contact {
		return s.hear(t, on)
	}
	switch n := len(s.states); {
	case on:
		s.isLow = false
	case s.isLow && t > s.low:
		s.isLow = false
		changed := s.hear(s.low, false)
		return s.hear(t, false) || changed
	case n > 0 && s.states[n-1].on && t > s.states[n-1].to:
		s.low, s.isLow = t, true
		return false
	}
	return s.hear(t, on)
}

// hear takes what was said at a time. What comes late fills a silence; it does not contradict what was heard.
func (s *supply) hear(t time.Duration, on bool) bool {
	t = max(t, 0)
	n := len(s.states)
	i := sort.Search(n, func(i int) bool { return s.states[i].from > t }) // the first one later
	switch {
	case i > 0 && t <= s.states[i-1].to:
		return false
	case i > 0 && s.joins(s.states[i-1], t, on) && !(s.cut && i == n):
		s.states[i-1].to = t
		if i < n && s.states[i].on == on && s.states[i].from-t <= s.bridge {
			s.states[i-1].to = s.states[i].to
			s.states = slices.Delete(s.states, i, i+1)
			return true
		}
		return i < n
	case i < n && s.states[i].on == on && s.states[i].from-t <= s.bridge:
		s.states[i].from = t
		return true
	}
	from := t
	if n == 0 && t <= s.bridge && !s.cut { // so it was at the begin
		from = 0
	}
	if i == n {
		s.cut = false
	}
	s.states = slices.Insert(s.states, i, state{spell{from, t}, on})
	return true
}

func (s *supply) joins(x state, t time.Duration, on bool) bool {
	return x.on == on && (s.told || t-x.to <= s.bridge)
}

// last is what was said last.
func (s *supply) last() (x state, ok bool) {
	if n := len(s.states); n > 0 {
		return s.states[n-1], true
	}
	return x, false
}

// heardUntil is how far what was said last reaches.
func (s *supply) heardUntil() time.Duration {
	x, ok := s.last()
	switch {
	case !ok:
		return s.bridge
	case s.told:
		return math.MaxInt64
	}
	return x.to + s.bridge
}

// energised lists the stretches in which it was on: what was said holds until
// the next word, where that does not come too late.
func (s *supply) energised(now time.Duration) (all []spell) {
	for i, x := range s.states {
		if !x.on {
			continue
		}
		next := now
		if i+1 < len(s.states) {
			next = s.states[i+1].from
		}
		if i+1 < len(s.states) && s.states[i+1].on { // a silence lies between
			next = x.to
		}
		if next > x.to && (s.told || next-x.to <= s.bridge) {
			x.to = next
		}
		all = append(all, x.spell)
	}
	return all
}

// bothOf is when both are on; that they meet for no time is nothing, but at the end it goes on.
func bothOf(a, b []spell, now time.Duration) (all []spell) {
	for i, k := 0, 0; i < len(a) && k < len(b); {
		x := spell{max(a[i].from, b[k].from), min(a[i].to, b[k].to)}
		if x.from < x.to || x.from == x.to && x.to == now {
			all = append(all, x)
		}
		if a[i].to < b[k].to {
			i++
		} else {
			k++
		}
	}
	return all
}

// powerTold reads what a mark tells of the outdoor unit's power: power-off and
// power-on, and notes that say that and nothing else: breaker tripped, power
// back. A longer sentence is not guessed at.
func powerTold(b *Told) (on, off bool) {
	switch b.Name {
	case "power-on", "power-off":
		return b.Name == "power-on", b.Name == "power-off"
	case "note", "checked":
	default:
		return false, false
	}
	about, de := 0, false
	for _, w := range strings.FieldsFunc(strings.ToLower(b.Note), func(r rune) bool { return !unicode.IsLetter(r) }) {
		switch {
		case slices.Contains(powerWords, w):
			about++
		case w == "de":
			de = true
		case strings.HasPrefix(w, "energi"), strings.HasPrefix(w, "deenergi"): // de-energised
			about++
			de = de || w[0] == 'd'
			on, off = on || !de, off || de
		case slices.Contains(offWords, w):
			off = true
		case slices.Contains(onWords, w):
			on = true
		case !slices.Contains(powerFill, w):
			return false, false // it says more than that, and who knows what: "the lights' breaker tripped, not ours"
		}
	}
	if about != 1 {
		return false, false
	}
	return on, off
}

// What a note may be made of that tells of power in people's own words: one
// word of the first, words of one of the next two, and nothing else.
var (
	powerWords = []string{"power", "breaker", "mains", "electricity", "heater", "heaters"}
	offWords   = []string{"off", "cut", "tripped", "lost", "failed", "out", "no"}
	onWords    = []string{"on", "back", "restored", "reset", "returned"}
	powerFill  = []string{"the", "of", "outdoor", "unit", "units", "ou", "is", "was", "again", "now", "switched", "came", "went", "has", "have", "been"}
)
