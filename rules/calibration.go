package rules

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// This file knows what is said of instruments: how far one was found off,
// against what, by whom and until when that holds, and that another one hangs
// at a point from now on. Readings stay in the journal as the instrument gave
// them; judges, pages and stores get them corrected. A word on an instrument is
// a mark `calibrated` whose note reads
//
//	POINT FOUND [against WHAT] [valid until DATE] [by NAME][: REMARK]
//
// FOUND is one of
//
//	shows 0.4 C at 0 C                        what it showed, and what was true: an offset
//	shows 0.4 C at 0 C and 50.9 C at 50 C     the same at two points: a gain and an offset
//	offset -0.4 K                             added to what it shows; or the mark's own value
//	gain 1.002                                what it shows times this, then the offset
//	checked [within 0.2 K]                    right as it is read; a correction in force stays
//	withdrawn                                 read as it shows, from now on
//
// such as `gauge offset -12 micron against a second gauge by Ines`. An
// instrument exchanged is a mark `placed` whose note reads
//
//	POINT exchanged [serial NUMBER] [against WHAT] [valid until DATE] [by NAME][: REMARK]
//
// and ends what was said of the one before. The newest word holds.

// Correction makes an instrument's reading right: what it shows times Gain, plus Offset.
type Correction struct {
	Gain   float64
	Offset float64 // SI; of a temperature K
}

// Of is the reading as it is believed. What a correction makes impossible (a
// vacuum below nothing) is no value.
func (c *Correction) Of(q sensors.Quantity, r sensors.Reading) sensors.Reading {
	if c == nil || r.Health.Grade == sensors.Failed {
		return r
	}
	if v := c.Value(q, r.Value); q.Plausible(v) {
		r.Value = v
	} else {
		r.Value, r.Health = 0, sensors.Health{Grade: sensors.Failed, Reason: reasonOverCorrected}
	}
	return r
}

// Value is what a shown value is believed to be, rounded to the quantity's count.
func (c *Correction) Value(q sensors.Quantity, shown float64) float64 {
	if c == nil {
		return shown
	}
	return q.Round(float64(c.Gain*shown) + c.Offset)
}

const reasonOverCorrected = "over-corrected"

// What was said of an instrument.
const (
	Corrected = "corrected"
	AsFound   = "checked"   // right within what is said, or as somebody certifies
	Withdrawn = "withdrawn" // no correction any more
	Exchanged = "exchanged" // another instrument hangs here
)

// Shown is one point of a calibration: what the instrument showed and what was true, SI.
type Shown struct{ Shown, True float64 }

// Calibration is what a mark says of the instrument at a point.
type Calibration struct {
	Point   string
	What    string // Corrected, AsFound, Withdrawn or Exchanged
	Fix     Correction
	Pairs   []Shown // that Fix was found by; none: it was given as it is
	Within  float64 // of AsFound, SI difference; 0: not said
	Against string  // ice point, known weight, a reference instrument, a laboratory
	Serial  string  // of Exchanged
	Until   string  // the last day on which it holds, 2027-03-01; empty: no end was given
	By      string
	Remark  string
}

// The farthest that a correction may go, our choice: an instrument that is
// farther off is broken, wired wrong, or its range is set wrong in the site
// file, and a slip of the pen should not move a night's readings.
const (
	leastGain = 0.8
	mostGain  = 1.25
)

var mostOffset = map[sensors.Quantity]float64{
	sensors.Temperature: 10, sensors.Vacuum: 2e3, sensors.Pressure: 1e5, sensors.AbsolutePressure: 1e4,
	sensors.Mass: 10, sensors.Humidity: 0.2, sensors.Current: 10, sensors.Voltage: 10,
}

// IsExchange reports whether a placed mark's note says that an instrument was
// exchanged, and not where a carried one is.
func IsExchange(note string) bool {
	words := strings.Fields(note)
	return len(words) > 1 && (strings.TrimRight(words[1], ":") == Exchanged || words[1] == "serial" && len(words) > 2)
}

// ReadCalibration reads a mark `calibrated`, or `placed` of an instrument. The
// error is a phrase that says what is wrong; the point is named where it is known.
func ReadCalibration(b *Told, quantity func(point string) sensors.Quantity) (c Calibration, err error) {
	head, remark, _ := strings.Cut(b.Note+" ", ": ")
	words := strings.Fields(head)
	c.Remark = strings.TrimSpace(remark)
	if len(words) == 0 {
		return c, errors.New("it names no point")
	}
	q := quantity(words[0])
	if q == sensors.NoQuantity {
		return c, fmt.Errorf("there is no point %q", words[0])
	}
	c.Point = words[0]
	if b.Name == "placed" {
		c.What = Exchanged
		if len(words) == 1 { // gauge: exchanged
			return c, errors.New("a colon stands before what was said, and behind a colon stands only a remark")
		}
		if words[1] == Exchanged {
			words = slices.Delete(words, 1, 2)
		}
	}
	found, err := c.clauses(words[1:])
	if err != nil {
		return c, err
	}
	if c.What != Exchanged {
		err = c.find(found, q, b)
	} else if found != (clauses{}) || b.Unit != "" {
		err = errors.New("an exchange says nothing of a correction: tell that by a calibrated mark after it")
	}
	return c, err
}

// clauses are the texts behind a note's first keywords; a blank where one has no text.
type clauses struct{ shows, at, and, at2, offset, gain, checked, within, withdrawn string }

// clauses cuts a note at its keywords. Behind against, valid or by stands free
// text, in which the others mean nothing.
func (c *Calibration) clauses(words []string) (f clauses, err error) {
	exact := map[string]*string{"shows": &f.shows, "at": &f.at, "and": &f.and, "offset": &f.offset, "gain": &f.gain,
		"checked": &f.checked, "within": &f.within, "withdrawn": &f.withdrawn}
	var until string
	free := map[string]*string{"against": &c.Against, "valid": &until, "by": &c.By}
	if c.What == Exchanged {
		exact, free["serial"] = nil, &c.Serial
	}
	var into *string
	for _, w := range words {
		if w == "at" && f.and != "" && exact != nil {
			exact["at"] = &f.at2
		}
		if to := free[w]; to != nil && *to == "" {
			into, exact = to, nil
			*into = " "
			continue
		}
		if to := exact[w]; to != nil {
			if *to != "" {
				return f, fmt.Errorf("%q stands there twice", w)
			}
			into = to
			*into = " "
			continue
		}
		if into == nil {
			return f, fmt.Errorf("%q says nothing known here", w)
		}
		*into += w + " "
	}
	for _, s := range []*string{&c.Against, &c.By, &c.Serial} {
		*s = strings.TrimSpace(*s)
	}
	if until != "" {
		day, ok := strings.CutPrefix(strings.TrimSpace(until), "until ")
		if _, err := time.Parse(time.DateOnly, day); !ok || err != nil {
			return f, fmt.Errorf("%q is not a day", strings.TrimSpace(until))
		}
		c.Until = day
	}
	return f, nil
}

// find makes of the clauses what they say.
func (c *Calibration) find(f clauses, q sensors.Quantity, b *Told) error {
	if q == sensors.Contact {
		return errors.New("a contact is open or closed and has nothing to correct")
	}
	given, hasValue := b.Value, b.Unit != ""
	if hasValue {
		var err error
		if given, err = differenceIn(q, strconv.FormatFloat(b.Value, 'g', -1, 64)+" "+b.Unit); err != nil {
			return fmt.Errorf("the mark's value: %w", err)
		}
	}
	corrects := f.shows != "" || f.offset != "" || f.gain != "" || hasValue
	switch {
	case f.checked+f.within != "" && (f.withdrawn != "" || corrects), f.withdrawn != "" && corrects:
		return errors.New("it says two things that cannot both be")
	case strings.TrimSpace(f.withdrawn+f.checked) != "":
		return fmt.Errorf("%q says nothing known here", strings.TrimSpace(f.withdrawn+f.checked))
	case f.withdrawn != "":
		c.What = Withdrawn
		return nil
	case !corrects && f == (clauses{}) && c.Against == "" && c.Until == "":
		return errors.New("it does not say what was found")
	case !corrects && f.at+f.and == "":
		c.What = AsFound
		if f.within == "" {
			return nil
		}
		var err error
		if c.Within, err = differenceIn(q, f.within); err == nil && c.Within <= 0 {
			err = fmt.Errorf("within %s is no span", strings.TrimSpace(f.within))
		}
		return err
	}
	c.What, c.Fix = Corrected, Correction{Gain: 1}
	if err := c.correction(f, q); err != nil {
		return err
	}
	if hasValue {
		switch {
		case f.shows+f.offset == "":
			c.Fix.Offset = Num(given)
		case math.Abs(given-c.Fix.Offset) > float64(1e-4*math.Abs(given))+q.FromCounts(1):
			return fmt.Errorf("the mark's value says an offset of %s and its note one of %s", Difference(given, q), Difference(c.Fix.Offset, q))
		}
	}
	return c.Fix.check(q)
}

// correction reads gain and offset, or what was shown and what was true.
func (c *Calibration) correction(f clauses, q sensors.Quantity) (err error) {
	if f.gain != "" {
		if c.Fix.Gain, err = strconv.ParseFloat(strings.TrimSpace(f.gain), 64); err != nil || math.IsNaN(c.Fix.Gain) {
			return fmt.Errorf("%q is no gain: write a number such as 1.002", strings.TrimSpace(f.gain))
		}
	}
	if f.offset != "" {
		if c.Fix.Offset, err = differenceIn(q, f.offset); err != nil {
			return err
		}
	}
	if f.shows == "" {
		if f.at+f.and != "" {
			return errors.New("it does not say what the instrument showed")
		}
		c.Fix = Correction{Num(c.Fix.Gain), Num(c.Fix.Offset)}
		return nil
	}
	if f.offset != "" || f.and != "" && f.gain != "" {
		return errors.New("what was shown and what was true give the correction already: leave the offset out, and the gain with two points")
	}
	texts := [][2]string{{f.shows, f.at}}
	if f.and != "" {
		texts = append(texts, [2]string{f.and, f.at2})
	}
	for _, t := range texts {
		var p Shown
		if p.Shown, err = q.Parse(strings.TrimSpace(t[0])); err != nil {
			return err
		}
		if p.True, err = q.Parse(strings.TrimSpace(t[1])); err != nil {
			return err
		}
		c.Pairs = append(c.Pairs, p)
	}
	if len(c.Pairs) == 2 {
		a, b := c.Pairs[0], c.Pairs[1]
		if a.Shown == b.Shown || a.True == b.True {
			return errors.New("its two points are one: they give no gain")
		}
		c.Fix.Gain = (b.True - a.True) / (b.Shown - a.Shown)
	}
	c.Fix.Gain = Num(c.Fix.Gain)
	c.Fix.Offset = Num(c.Pairs[0].True - float64(c.Fix.Gain*c.Pairs[0].Shown))
	return nil
}

// check refuses what is no calibration but a fault or a slip.
func (f Correction) check(q sensors.Quantity) error {
	switch {
	case !(f.Gain >= leastGain && f.Gain <= mostGain):
		return fmt.Errorf("a gain of %.6g is no calibration but a fault, or a range set wrong in the site file (%g to %g is taken)", f.Gain, leastGain, mostGain)
	case !(math.Abs(f.Offset) <= mostOffset[q]):
		return fmt.Errorf("an offset of %s is no calibration but a fault, or a range set wrong in the site file (up to %s is taken)", Difference(f.Offset, q), Difference(mostOffset[q], q))
	}
	return nil
}

// differenceIn reads a difference between two values of a quantity: -0.4 K, 12 micron.
func differenceIn(q sensors.Quantity, text string) (float64, error) {
	text = strings.TrimSpace(text)
	if q != sensors.Temperature {
		return q.Parse(text)
	}
	if k, err := sensors.ParseQuantity(text, sensors.Differences); err == nil {
		return k, nil
	}
	i := strings.IndexAny(text, "CF°")
	if i < 1 {
		return 0, fmt.Errorf("%q is no difference of temperature: write a number and K, C or F", text)
	}
	zero, err := q.Parse("0 " + text[i:])
	if err != nil {
		return 0, err
	}
	v, err := q.Parse(text)
	return v - zero, err
}

// Text is the mark's note.
func (c Calibration) Text(q sensors.Quantity) string {
	s := c.Point
	switch {
	case c.What == Corrected && len(c.Pairs) > 0:
		for i, p := range c.Pairs {
			s += [...]string{" shows ", " and "}[i] + inUnit(p.Shown, q.SI()) + " at " + inUnit(p.True, q.SI())
		}
	case c.What == Corrected:
		s += " offset " + inUnit(c.Fix.Offset, differenceUnit(q))
	default:
		s += " " + c.What
	}
	if c.What == Corrected && c.Fix.Gain != 1 && len(c.Pairs) < 2 {
		s += " gain " + strconv.FormatFloat(c.Fix.Gain, 'f', -1, 64)
	}
	if c.Within > 0 {
		s += " within " + inUnit(c.Within, differenceUnit(q))
	}
	for _, x := range [...][2]string{{" serial ", c.Serial}, {" against ", c.Against}, {" valid until ", c.Until}, {" by ", c.By}} {
		if text := unambiguous(x[1]); text != "" {
			s += x[0] + text
		}
	}
	if c.Remark != "" {
		s += ": " + c.Remark
	}
	return s
}

func inUnit(v float64, unit string) string { return strconv.FormatFloat(v, 'f', -1, 64) + " " + unit }

func differenceUnit(q sensors.Quantity) string {
	if q == sensors.Temperature {
		return "K"
	}
	return q.SI()
}

// unambiguous is free text without the words that would end it.
func unambiguous(s string) string {
	words := strings.Fields(strings.ReplaceAll(s, ":", " "))
	words = slices.DeleteFunc(words, func(w string) bool { return w == "against" || w == "valid" || w == "by" || w == "serial" })
	return strings.Join(words, " ")
}

// CalibrationMark is what was said of an instrument, with where it stands in the journal.
type CalibrationMark struct {
	Calibration
	Problem string // why nothing was made of it; empty: it holds
	Note    string // as written
	Seq     uint64
	At      Instant
	Own     int64 // Unix ms; 0: at At
}

// Calibrations is what the marks so far say of every point's instrument.
type Calibrations struct {
	zone   *time.Location
	points []instrument
	index  map[string]int
	last   uint64
}

// instrument is what hangs at one point.
type instrument struct {
	point sensors.Point
	now   *Correction // nil: read as it shows
	marks []CalibrationMark
}

// NewCalibrations is how it stands before anybody has said anything.
func NewCalibrations(site Site) *Calibrations {
	c := &Calibrations{zone: site.Zone, index: make(map[string]int, len(site.Points))}
	if c.zone == nil {
		c.zone = time.UTC
	}
	for i, p := range site.Points {
		c.points = append(c.points, instrument{point: p})
		c.index[p.Name] = i
	}
	return c
}

// Tell takes a mark; ok is false where it says nothing of an instrument. A mark
// that came before is not taken twice.
func (c *Calibrations) Tell(e Entry, b *Told) (m CalibrationMark, ok bool) {
	if c == nil || b.Kind != "mark" || b.Name != "calibrated" && (b.Name != "placed" || !IsExchange(b.Note)) || e.Seq != 0 && e.Seq <= c.last {
		return m, false
	}
	c.last = e.Seq
	said, err := ReadCalibration(b, c.quantity)
	m = CalibrationMark{Calibration: said, Note: b.Note, Seq: e.Seq, At: e.At, Own: b.Own}
	if m.By == "" {
		m.By = b.By
	}
	if err != nil {
		m.Problem = err.Error()
	}
	i, known := c.index[m.Point]
	if !known {
		return m, true
	}
	x := &c.points[i]
	x.marks = append(x.marks, m)
	switch {
	case m.Problem != "" || m.What == AsFound:
	case m.What == Corrected && m.Fix != Correction{Gain: 1}:
		fix := m.Fix
		x.now = &fix
	default:
		x.now = nil
	}
	return m, true
}

// unclear reads a mark and reports whether nothing can be made of it.
func (c *Calibrations) unclear(b *Told) (m CalibrationMark, ok bool) {
	if c == nil || b.Name != "calibrated" && (b.Name != "placed" || !IsExchange(b.Note)) {
		return m, false
	}
	said, err := ReadCalibration(b, c.quantity)
	if err == nil {
		return m, false
	}
	return CalibrationMark{Calibration: said, Problem: err.Error()}, true
}

func (c *Calibrations) quantity(point string) sensors.Quantity {
	if i, ok := c.index[point]; ok {
		return c.points[i].point.Quantity
	}
	return sensors.NoQuantity
}

// Correction is what a point's readings are corrected by now; nil: they are read as they are.
func (c *Calibrations) Correction(point string) *Correction {
	if i, ok := c.index[point]; ok {
		return c.points[i].now
	}
	return nil
}

// At is what a point's reading of an entry is corrected by: what held then.
func (c *Calibrations) At(point string, seq uint64) *Correction {
	if c == nil {
		return nil
	}
	i, ok := c.index[point]
	if !ok {
		return nil
	}
	x := &c.points[i]
	if n := len(x.marks); n == 0 || x.marks[n-1].Seq < seq {
		return x.now
	}
	for _, m := range slices.Backward(x.marks) {
		if m.Seq >= seq || m.Problem != "" || m.What == AsFound {
			continue
		}
		if m.What == Corrected {
			fix := m.Fix
			return &fix
		}
		return nil
	}
	return nil
}

// Marks are what was said of a point's instruments, oldest first.
func (c *Calibrations) Marks(point string) []CalibrationMark {
	if i, ok := c.index[point]; ok {
		return slices.Clip(c.points[i].marks)
	}
	return nil
}

// Holds is what holds of the instrument at a point now.
type Holds struct {
	Fix     *Correction // nil: read as it shows
	By      CalibrationMark
	Said    bool   // By is the newest word that holds; else there is only what the site file says
	Serial  string // of the instrument; empty: not given
	Against string
	Until   string // the last day; empty: no end was given
}

// Holds says how it stands with a point: the newest word, and before anybody
// spoke what the site file says.
func (c *Calibrations) Holds(point string) (h Holds) {
	i, ok := c.index[point]
	if !ok {
		return h
	}
	x := &c.points[i]
	file := x.point.Instrument
	h = Holds{Fix: x.now, Serial: file.Serial, Against: file.Against, Until: file.ValidUntil}
	came := h // with what the instrument came: what is withdrawn leaves that
	for _, m := range x.marks {
		switch {
		case m.Problem != "":
			continue
		case m.What == Exchanged && m.Serial == file.Serial && file.Serial != "": // the site file has been brought up to date
			h.Serial, h.Against, h.Until = file.Serial, file.Against, file.ValidUntil
		case m.What == Exchanged:
			h.Serial, h.Against, h.Until = m.Serial, m.Against, m.Until
		case m.What == Withdrawn:
			h.Against, h.Until = came.Against, came.Until
		default:
			h.Against, h.Until = m.Against, m.Until
		}
		if m.What == Exchanged {
			came = h
		}
		h.By, h.Said = m, true
	}
	return h
}

// Expired reports whether a point's calibration has run out at a wall time (Unix ms).
func (c *Calibrations) Expired(point string, wall int64) (until string, expired bool) {
	until = c.Holds(point).Until
	return until, !dayLasts(until, wall, c.zone)
}

// dayLasts reports whether a day (2027-03-01) is not over yet in a zone; no day lasts for ever.
func dayLasts(day string, wall int64, zone *time.Location) bool {
	if day == "" {
		return true
	}
	t, err := time.ParseInLocation(time.DateOnly, day, zone)
	return err != nil || wall < t.AddDate(0, 0, 1).UnixMilli()
}
