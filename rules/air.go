package rules

import (
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// This file knows what air each indoor unit draws in and blows out, and by
// what it is measured: sensors of its own, probes carried from room to room,
// or readings typed by hand.

// airKind is one thing measured of a unit's air.
type airKind int

const (
	supplyAir airKind = iota
	returnAir
	wetBulb
	humidity
	airKinds
)

var airRoles = [airKinds]string{"supply-air", "return-air", "return-wet-bulb", "return-humidity"}

// How long readings are kept and how fresh they must be.
const (
	airKept     = 15 * time.Minute
	airFresh    = 2 * time.Minute  // both airs were measured within these
	moistFresh  = 10 * time.Minute // humidity changes slowly
	typedFresh  = 15 * time.Minute // one walk into a room
	pressFresh  = time.Hour        // weather is slower still
	shortWindow = 5 * time.Minute  // a split is at least the difference of medians over these, and at most over airKept
	probeWindow = 150 * time.Second
	leastSpan   = 60 * time.Second // nothing is said of less
	leastOf     = 3                // readings
	dampestRoom = 0.95             // relative humidity of a room's air, where none is measured: no room is damper (our choice); the dry end is air without moisture
)

// series is the readings of the last minutes.
type series struct {
	point sensors.Point
	ss    []sample
}

func (x *series) add(s sample) {
	n := len(x.ss)
	if n > 0 && s.t <= x.ss[n-1].t {
		return
	}
	x.ss = append(x.ss, s)
	drop := 0
	for s.t-x.ss[drop].t > airKept {
		drop++
	}
	x.ss = x.ss[drop:]
}

func (x *series) fresh(now, within time.Duration) bool {
	n := len(x.ss)
	return n > 0 && now-x.ss[n-1].t <= max(within, x.point.Every*5/2)
}

// since is what was read from a moment on.
func (x *series) since(from time.Duration) []sample {
	i := len(x.ss)
	for i > 0 && x.ss[i-1].t >= from {
		i--
	}
	return x.ss[i:]
}

// unitAir is one indoor unit's air.
type unitAir struct {
	unit    Unit
	place   int              // among the system's units
	points  [airKinds]string // its own; empty: none
	series  [airKinds]series
	typed   [airKinds]typedRead
	doubled bool          // its supply is another unit's as well
	donor   *unitAir      // the room whose humidity stands for this one's
	placed  time.Duration // since when the carried probes are here
	here    bool          // they are
	last    time.Duration // when the newest typed reading came
}

// typedRead is a value read off and typed by a person.
type typedRead struct {
	sample
	ok bool
}

// airs is the air of a system's indoor units.
type airs struct {
	units    []*unitAir
	feeds    [][]airFeed // by the place of the point
	points   []sensors.Point
	carried  []int // places of the points that belong to no unit: they are carried
	pressure sample
	measured bool   // the barometer was heard
	stray    string // the note of a placed or typed mark that names no unit
}

type airFeed struct {
	of   *unitAir
	kind airKind
}

// beginAirs finds out which point measures whose air. The site file's word goes
// before; else a point of the role that is called after the unit or its room.
func beginAirs(s Start) *airs {
	a := &airs{feeds: make([][]airFeed, len(s.Points)), points: s.Points}
	for i, u := range s.Units {
		x := &unitAir{unit: u, place: i, points: [airKinds]string{u.Supply, u.Return, u.WetBulb, u.Humidity}}
		a.units = append(a.units, x)
	}
	owner := make([]*unitAir, len(s.Points))
	for i, p := range s.Points {
		for _, x := range a.units {
			for k, name := range x.points {
				if name == p.Name {
					owner[i] = x
					x.series[k].point = p
					a.feeds[i] = append(a.feeds[i], airFeed{x, airKind(k)})
				}
			}
		}
	}
	for i, p := range s.Points {
		k := kindOf(p)
		if k == airKinds || owner[i] != nil {
			continue
		}
		if x := a.named(splitWords(p.Name)); x != nil && x.points[k] == "" {
			owner[i] = x
			x.points[k], x.series[k].point = p.Name, p
			a.feeds[i] = append(a.feeds[i], airFeed{x, k})
			continue
		} else if x == nil {
			a.carried = append(a.carried, i)
		}
	}
	a.shareMoisture()
	for i, x := range a.units {
		for _, y := range a.units[:i] {
			if x.points[supplyAir] != "" && x.points[supplyAir] == y.points[supplyAir] {
				x.doubled, y.doubled = true, true
			}
		}
	}
	for _, note := range s.Placed {
		a.place(note, s.Entry.At.Since-s.Began.Since)
	}
	a.stray = "" // what was told before may have been of another system
	return a
}

// shareMoisture lets the only humidity or wet bulb of a system stand for every
// room without one: the air of one building is about as moist (common practice).
func (a *airs) shareMoisture() {
	for _, k := range []airKind{wetBulb, humidity} {
		only, n := -1, 0
		for i, p := range a.points {
			if p.Role == airRoles[k] {
				only, n = i, n+1
			}
		}
		if n != 1 {
			continue
		}
		var donor *unitAir
		if len(a.feeds[only]) > 0 {
			donor = a.feeds[only][0].of
		} else if a.carriesAir() {
			continue // it is carried beside the thermometers
		}
		kept := a.carried[:0]
		for _, i := range a.carried {
			if i != only {
				kept = append(kept, i)
			}
		}
		a.carried = kept
		for _, x := range a.units {
			if x.points[wetBulb] == "" && x.points[humidity] == "" {
				x.points[k], x.series[k].point, x.donor = a.points[only].Name, a.points[only], donor
				a.feeds[only] = append(a.feeds[only], airFeed{x, k})
			}
		}
	}
}

// carriesAir reports whether there is a carried thermometer.
func (a *airs) carriesAir() bool {
	for _, i := range a.carried {
		if k := kindOf(a.points[i]); k == supplyAir || k == returnAir {
			return true
		}
	}
	return false
}

func kindOf(p sensors.Point) airKind {
	for k, role := range airRoles {
		if p.Role == role {
			return airKind(k)
		}
	}
	return airKinds
}

// splitWords cuts a name or a note into its words, in small letters.
func splitWords(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// findWords is where a run of words stands among others; -1: nowhere.
func findWords(in, run []string) int {
	for i := 0; len(run) > 0 && i+len(run) <= len(in); i++ {
		if strings.Join(in[i:i+len(run)], " ") == strings.Join(run, " ") {
			return i
		}
	}
	return -1
}

// AirMap tells whose air each point measures, as the judges take it: for who
// draws what they judged.
type AirMap struct{ airs *airs }

// WhoseAir is the map after carried probes were placed as these notes say.
func WhoseAir(units []Unit, points []sensors.Point, placed []string) *AirMap {
	return &AirMap{beginAirs(Start{Units: units, Points: points, Placed: placed})}
}

// Carries reports whether a thermometer is carried from room to room.
func (m *AirMap) Carries() bool { return m.airs.carriesAir() }

// Placed takes the note of a carried instrument that was placed.
func (m *AirMap) Placed(note string) { m.airs.place(note, 0) }

// Air is a unit's supply or return air, by the unit's place in the site file.
type Air struct {
	Unit   int
	Return bool
}

// Of is whose supply or return air a point measures now, by its place among the points.
func (m *AirMap) Of(point int) (of []Air) {
	for _, f := range m.airs.feeds[point] {
		if f.kind <= returnAir {
			of = append(of, Air{f.of.place, f.kind == returnAir})
		}
	}
	return of
}

// named is the unit that words name: by its own name, else by its room; the
// longest name where several fit.
func (a *airs) named(words []string) (found *unitAir) {
	most := 0
	for _, byRoom := range []bool{false, true} {
		for _, x := range a.units {
			name := x.unit.Name
			if byRoom {
				name = x.unit.Room
			}
			run := splitWords(name)
			if n := len(strings.Join(run, "")); n > most && findWords(words, run) >= 0 {
				found, most = x, n
			}
		}
		if found != nil {
			return found
		}
	}
	return nil
}

// without is words without the first run of others.
func without(words, run []string) []string {
	at := findWords(words, run)
	if at < 0 {
		return words
	}
	return append(append([]string(nil), words[:at]...), words[at+len(run):]...)
}

// saidOf is what words say beside a unit's name and room.
func (x *unitAir) saidOf(words []string) (kinds [airKinds]bool, any bool) {
	return saidKinds(without(without(words, splitWords(x.unit.Name)), splitWords(x.unit.Room)))
}

// saidKinds are what words say is measured.
func saidKinds(words []string) (kinds [airKinds]bool, any bool) {
	for _, w := range words {
		k := airKinds
		switch w {
		case "supply":
			k = supplyAir
		case "return":
			k = returnAir
		case "wet", "wetbulb":
			k = wetBulb
		case "humidity", "rh":
			k = humidity
		}
		if k < airKinds {
			kinds[k], any = true, true
		}
	}
	if kinds[wetBulb] || kinds[humidity] { // "return wet bulb", "return humidity"
		kinds[returnAir] = false
	}
	return kinds, any
}

// place puts carried probes at the unit that a mark's note names: all of them,
// or those that it names ("probe-a at iu07"), or those of what it names ("iu07
// supply"). It returns who was left and who was come to.
func (a *airs) place(note string, now time.Duration) (left []*unitAir, come *unitAir) {
	words := splitWords(note)
	var moved []int
	take := func(i int) {
		run := splitWords(a.points[i].Name)
		if at := findWords(words, run); at >= 0 && kindOf(a.points[i]) < airKinds {
			moved = append(moved, i)
			words = without(words, run)
		}
	}
	for _, i := range a.carried {
		take(i)
	}
	if len(moved) == 0 { // a sensor that was a unit's may be carried as well, if the note names a unit beside it
		was := words
		for i := range a.points {
			take(i)
		}
		if len(moved) > 0 && a.named(words) == nil {
			moved, words = nil, was
		}
	}
	come = a.named(words)
	if come == nil {
		a.stray = note
		return nil, nil
	}
	if len(moved) == 0 {
		kinds, any := come.saidOf(words)
		for _, i := range a.carried {
			if k := kindOf(a.points[i]); !any || kinds[k] || k > returnAir && kinds[returnAir] {
				moved = append(moved, i)
			}
		}
	}
	if len(moved) == 0 {
		return nil, nil // nothing here is carried
	}
	a.stray = ""
	for _, i := range moved {
		k := kindOf(a.points[i])
		for _, f := range a.feeds[i] {
			if f.of != come && f.of.here {
				left = append(left, f.of)
			}
		}
		a.feeds[i] = []airFeed{{come, k}}
		come.series[k] = series{point: a.points[i]}
	}
	for _, x := range left {
		x.here = false
	}
	come.here, come.placed = true, now
	return left, come
}

// typing takes a value read off and typed by hand: "iu08 supply", 13.0 C.
func (a *airs) typing(b *Told, now time.Duration) *unitAir {
	words := splitWords(b.Note)
	x := a.named(words)
	a.stray = b.Note
	if x == nil {
		return nil
	}
	kinds, _ := x.saidOf(words)
	value, symbol := b.Value, b.Unit
	if symbol == "" {
		value, symbol = saidValue(b.Note)
	}
	for k := range kinds {
		unit := "C"
		if airKind(k) == humidity {
			unit = "1"
		}
		if v, si, err := sensors.SI(value, symbol); kinds[k] && err == nil && si == unit {
			x.typed[k], x.last = typedRead{sample{now, v}, true}, now
			a.stray = ""
			return x
		}
	}
	return nil
}

// saidValue is the number and unit that a note holds: iu08 supply 13.0 C.
func saidValue(note string) (value float64, symbol string) {
	fields := strings.Fields(note)
	for i, f := range fields {
		number := strings.TrimRight(f, "CF%")
		v, err := strconv.ParseFloat(number, 64)
		switch {
		case err != nil:
		case number != f:
			return v, f[len(number):]
		case i+1 < len(fields):
			return v, fields[i+1]
		}
	}
	return 0, ""
}

// hear takes a reading.
func (a *airs) hear(place int, s sample) {
	if a.points[place].Role == "barometer" {
		a.pressure, a.measured = s, true
	}
	for _, f := range a.feeds[place] {
		f.of.series[f.kind].add(s)
	}
}

// atmosphere is the barometer's, else the standard one.
func (a *airs) atmosphere(now time.Duration) float64 {
	if a.measured && now-a.pressure.t <= pressFresh && a.pressure.v > 5e4 && a.pressure.v < 1.1e5 {
		return a.pressure.v
	}
	return physics.AtmospherePa
}

// forget drops what was read, as at a start of the box.
func (a *airs) forget() {
	for _, x := range a.units {
		for k := range x.series {
			x.series[k].ss = nil
		}
	}
}

// airView is a unit's air over some minutes.
type airView struct {
	supplyC, returnC float64
	warmerK          float64 // supply over return; below nought where it cools
	doubtK           float64 // standard error of that, from how much the readings scatter
	driftK           float64 // by how much it changed from the first half of those minutes to the second, beyond what scatter explains
	ratio, wetBulbC  float64 // kg of water a kg of dry air
	humid            bool
	odd              string // what is wrong with the humidity measured
	byHand           bool
	from, at         time.Duration
}

// measuredNow reports whether both airs are heard.
func (x *unitAir) measuredNow(now time.Duration) bool {
	for _, k := range []airKind{supplyAir, returnAir} {
		if !x.series[k].fresh(now, airFresh) || len(x.series[k].ss) < leastOf {
			return false
		}
	}
	return true
}

// look is the unit's air from a moment on: over as much of it as is steady,
// at most airKept.
func (x *unitAir) look(from, now time.Duration, atmospherePa float64) (v airView, ok bool) {
	if !x.measuredNow(now) {
		return v, false
	}
	short := max(shortWindow, 6*x.series[supplyAir].point.Every, 6*x.series[returnAir].point.Every)
	if x.here {
		short = max(probeWindow, 4*x.series[supplyAir].point.Every, 4*x.series[returnAir].point.Every)
	} else {
		v, ok = x.over(max(from, now-airKept))
	}
	if !ok || v.driftK != 0 {
		v, ok = x.over(max(from, now-short))
	}
	if ok {
		x.moisture(&v, now, atmospherePa)
	}
	v.at = now
	return v, ok
}

// over is the split since a moment.
func (x *unitAir) over(from time.Duration) (v airView, ok bool) {
	supply, back := x.series[supplyAir].since(from), x.series[returnAir].since(from)
	if len(supply) < leastOf || len(back) < leastOf {
		return v, false
	}
	v.from = max(supply[0].t, back[0].t)
	end := min(supply[len(supply)-1].t, back[len(back)-1].t)
	if end-v.from < leastSpan {
		return v, false
	}
	var s, r airLevel
	s, r = airLevelOf(supply), airLevelOf(back)
	v.supplyC, v.returnC, v.warmerK = s.median, r.median, s.median-r.median
	v.doubtK = hypot(s.doubt, r.doubt)
	half := v.from + (end-v.from)/2
	was, is := airLevelOf(upTo(supply, half)), airLevelOf(beyond(supply, half))
	wasBack, isBack := airLevelOf(upTo(back, half)), airLevelOf(beyond(back, half))
	drift := (is.median - isBack.median) - (was.median - wasBack.median)
	if math.IsNaN(drift) {
		return v, false
	}
	scatter := hypot(hypot(is.doubt, was.doubt), hypot(isBack.doubt, wasBack.doubt))
	if more := math.Abs(drift) - steadyK - scatter; more > 0 {
		v.driftK = math.Copysign(more, drift)
	}
	return v, true
}

// steadyK is by how much a steady split may change from one half of the
// minutes looked at to the other (our choice, from trial runs with seeds): the
// room's own drift is of that size.
const steadyK = 0.3

// airLevel is the middle of readings with its standard error, from their scatter.
type airLevel struct{ median, doubt float64 }

func airLevelOf(ss []sample) airLevel {
	n := len(ss)
	if n == 0 {
		return airLevel{math.NaN(), math.NaN()}
	}
	vs := make([]float64, n)
	for i, s := range ss {
		vs[i] = s.v
	}
	sort.Float64s(vs)
	m := middle(vs)
	for i, v := range vs {
		vs[i] = math.Abs(v - m)
	}
	sort.Float64s(vs)
	// 1.4826 makes a spread of the median deviation, 1.2533 the error of a median of that of a mean (both for normal scatter).
	return airLevel{m, 1.4826 * 1.2533 * middle(vs) / math.Sqrt(float64(n))}
}

func upTo(ss []sample, t time.Duration) []sample {
	i := 0
	for i < len(ss) && ss[i].t <= t {
		i++
	}
	return ss[:i]
}

func beyond(ss []sample, t time.Duration) []sample {
	i := 0
	for i < len(ss) && ss[i].t <= t {
		i++
	}
	return ss[i:]
}

// moisture finds how moist the return air is.
func (x *unitAir) moisture(v *airView, now time.Duration, atmospherePa float64) {
	at := v.returnC // of the room in which the humidity is measured
	if d := x.donor; d != nil && d != x && d.series[returnAir].fresh(now, moistFresh) {
		at = airLevelOf(d.series[returnAir].since(v.from)).median
		if math.IsNaN(at) {
			at = v.returnC
		}
	}
	switch wet, rh := &x.series[wetBulb], &x.series[humidity]; {
	case x.typed[wetBulb].ok && v.byHand:
		v.wet(at, x.typed[wetBulb].v, atmospherePa)
	case x.typed[humidity].ok && v.byHand:
		v.relative(at, x.typed[humidity].v, atmospherePa)
	case wet.fresh(now, moistFresh):
		v.wet(at, recent(wet, v.from), atmospherePa)
	case rh.fresh(now, moistFresh):
		v.relative(at, recent(rh, v.from), atmospherePa)
	}
}

// recent is the middle of what was read since a moment, or the last of all.
func recent(x *series, from time.Duration) float64 {
	if ss := x.since(from); len(ss) > 0 {
		return median(ss)
	}
	return x.ss[len(x.ss)-1].v
}

// A wet bulb stands at or under its dry bulb, and a hygrometer between dry air
// and fog; beyond that (by more than two thermometers differ) it measures something else.
func (v *airView) wet(atC, wetC, atmospherePa float64) {
	if wetC > atC+1 {
		v.odd = wetAboveDry(wetC, atC)
		return
	}
	v.moist(physics.HumidityRatioWetBulb(atC, min(wetC, atC), atmospherePa), atmospherePa)
}

func (v *airView) relative(atC, relative, atmospherePa float64) {
	if relative <= 0.01 || relative > 1.02 {
		v.odd = noSuchHumidity(relative)
		return
	}
	v.moist(physics.HumidityRatio(atC, min(relative, 1), atmospherePa), atmospherePa)
}

func (v *airView) moist(ratio, atmospherePa float64) {
	if ratio > 0 {
		v.ratio, v.humid = ratio, true
		v.wetBulbC = physics.WetBulbC(v.returnC, ratio, atmospherePa)
	}
}

// readOff is the unit's air as typed; what was not typed may be measured.
func (x *unitAir) readOff(now time.Duration, atmospherePa float64) (v airView, ok bool) {
	var c [2]float64
	any := false
	for k := range c {
		switch t := x.typed[k]; {
		case t.ok && x.last-t.t <= typedFresh:
			c[k], any = t.v, true
		case x.series[k].fresh(now, airFresh):
			c[k] = recent(&x.series[k], now-shortWindow)
		default:
			return v, false
		}
	}
	if !any {
		return v, false
	}
	v = airView{supplyC: c[supplyAir], returnC: c[returnAir], warmerK: c[supplyAir] - c[returnAir], byHand: true, from: now - shortWindow, at: now}
	for _, k := range []airKind{wetBulb, humidity} {
		if x.typed[k].ok && x.last-x.typed[k].t > typedFresh {
			x.typed[k].ok = false
		}
	}
	x.moisture(&v, now, atmospherePa)
	return v, true
}

// measuredBy are the points behind a view.
func (x *unitAir) measuredBy(v airView) (ps []string) {
	for k := range x.series {
		if p := x.series[k].point.Name; p != "" && !v.byHand && (k < int(wetBulb) || v.humid) {
			ps = append(ps, p)
		}
	}
	return ps
}
