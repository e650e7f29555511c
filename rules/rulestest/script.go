// Package rulestest runs scripts of entries through the engine and prints
// what it finds. A script is a text in three parts: the site, what happened,
// and what is expected.
//
//	# A leak of 6 micron a minute is seen before the hour is over.
//	point gauge vacuum role=vacuum-gauge unit=micron every=10s
//	step vacuum-hold limit="500 micron" lasts=1h
//	-- happened
//	0s,begin,vacuum-hold,,,
//	* gauge 0s..1h every 10s line 250..610 micron noise 0.015 seed 3
//	1h1m,end,vacuum-hold,,,
//	-- found
//	21m10s raised tell vacuum-rising vacuum-hold gauge: ...
//
// The rows are those of a field log (time,kind,name,value,unit,note and
// optionally known), with times counted from the script's beginning. A row
// that begins with an asterisk stands for many readings: a line, or an
// approach to a plateau (plateau FROM+RISE tau TIME). Rows are put in the
// order in which the box came to know them.
package rulestest

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Script is a parsed script.
type Script struct {
	Site  rules.Site
	Rules []rules.Rule
	Rows  []Row  // in the order in which the box came to know them
	Found string // what is expected
	head  string // the text before it
}

// Row is one line of a field log.
type Row struct {
	Time, Known      time.Duration
	Kind, Name, Note string
	Value            float64
	HasValue         bool
	Unit             string
}

// epoch is the wall time at which every script begins: any will do.
const epoch = 1_700_000_000_000

const (
	happened = "-- happened\n"
	found    = "-- found\n"
)

// Parse reads a script.
func Parse(text string) (*Script, error) {
	head, expected, _ := strings.Cut(text, found)
	site, rows, ok := strings.Cut(head, happened)
	if !ok {
		return nil, fmt.Errorf("the script has no line %q", strings.TrimSpace(happened))
	}
	s := &Script{head: head, Found: expected, Rules: rules.All()}
	s.Site.Systems = []rules.System{{Steps: map[string]map[string]rules.Setting{}}}
	for i, line := range strings.Split(site, "\n") {
		if err := s.siteLine(line); err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
	}
	if len(s.Site.Systems) > 1 { // named ones were given
		s.Site.Systems = s.Site.Systems[1:]
	}
	for _, line := range strings.Split(rows, "\n") {
		if err := s.row(line); err != nil {
			return nil, fmt.Errorf("%q: %w", line, err)
		}
	}
	slices.SortStableFunc(s.Rows, func(a, b Row) int { return cmp.Compare(a.Known, b.Known) })
	return s, nil
}

// words splits at blanks outside quotes.
func words(line string) []string {
	var out []string
	quoted := false
	for _, f := range strings.FieldsFunc(line, func(r rune) bool {
		if r == '"' {
			quoted = !quoted
		}
		return r == ' ' && !quoted
	}) {
		out = append(out, strings.ReplaceAll(f, `"`, ""))
	}
	return out
}

func (s *Script) siteLine(line string) error {
	w := words(line)
	if len(w) == 0 || strings.HasPrefix(w[0], "#") {
		return nil
	}
	if len(w) < 2 {
		return fmt.Errorf("%q says nothing", line)
	}
	keys := map[string]string{}
	for _, kv := range w[2:] {
		k, v, _ := strings.Cut(kv, "=")
		keys[k] = v
	}
	sys := &s.Site.Systems[len(s.Site.Systems)-1]
	switch w[0] {
	case "system":
		s.Site.Systems = append(s.Site.Systems, rules.System{Name: w[1], Steps: map[string]map[string]rules.Setting{}})
	case "rules":
		s.Rules = slices.DeleteFunc(s.Rules, func(r rules.Rule) bool { return !slices.Contains(w[1:], r.Name) })
	case "unit":
		u := rules.Unit{Name: w[1], Room: keys["room"], Branch: keys["branch"], Supply: keys["supply"],
			Return: keys["return"], WetBulb: keys["wet_bulb"], Humidity: keys["humidity"]}
		err := quantities(keys, map[string]amount{"room_volume": {&u.RoomM3, sensors.Volumes}})
		sys.Units = append(sys.Units, u)
		return err
	case "outdoor":
		sys.Outdoor = append(sys.Outdoor, w[1])
	case "branch":
		sys.Branches = append(sys.Branches, w[1])
		sys.HeatRecovery = true
	case "refrigerant":
		sys.Refrigerant = w[1]
		return quantities(keys, map[string]amount{"factory": {&sys.FactoryKg, sensors.Masses}, "extra": {&sys.ExtraKg, sensors.Masses},
			"coils": {&sys.CoilsM3, sensors.Volumes}, "room_limit": {&sys.RoomLimitKgM3, sensors.Densities}})
	case "run":
		keys["run"] = w[1]
		r, faults := rules.ReadRun(func(column string) string { return keys[column] })
		if len(faults) > 0 {
			return fmt.Errorf("%s", faults[0].Problem)
		}
		sys.Runs = append(sys.Runs, r)
	case "step":
		given, err := settings(w[1], keys)
		sys.Steps[w[1]] = given
		return err
	case "point":
		return s.point(w[1], sys.Name, line, keys)
	default:
		return fmt.Errorf("%q is none of system, rules, refrigerant, run, unit, step, point", w[0])
	}
	return nil
}

// amount is a quantity that a line of the site may give.
type amount struct {
	into *float64
	dim  sensors.Dimension
}

func quantities(keys map[string]string, known map[string]amount) (err error) {
	for key, a := range known {
		if text, ok := keys[key]; ok && err == nil {
			*a.into, err = sensors.ParseQuantity(text, a.dim)
		}
	}
	return err
}

func (s *Script) point(name, system, line string, keys map[string]string) error {
	w := words(line)
	if len(w) < 3 {
		return fmt.Errorf("%q: what does the point measure?", line)
	}
	q, ok := sensors.QuantityOf(w[2])
	if !ok {
		return fmt.Errorf("%q is no quantity", w[2])
	}
	p := sensors.Point{Name: name, System: system, Quantity: q, Role: keys["role"], Unit: keys["unit"], Device: keys["broker"],
		Instrument: sensors.Instrument{Serial: keys["serial"], Calibrated: keys["calibrated"], ValidUntil: keys["valid_until"], Against: keys["against"]}}
	for key, d := range map[string]*time.Duration{"every": &p.Every, "silent_after": &p.SilentAfter} {
		if keys[key] == "" {
			continue
		}
		t, err := sensors.ParseTime(keys[key])
		if err != nil {
			return err
		}
		*d = t
	}
	err := quantities(keys, map[string]amount{"volume": {&p.VolumeM3, sensors.Volumes}})
	s.Site.Points = append(s.Site.Points, p)
	return err
}

func settings(step string, keys map[string]string) (map[string]rules.Setting, error) {
	given := map[string]rules.Setting{}
	for _, l := range rules.Limits() {
		text, ok := keys[l.Key]
		if l.Step != step || !ok {
			continue
		}
		set := rules.Setting{Text: text, Source: "site file", Given: true}
		if l.Dimension != sensors.NoDimension {
			v, err := sensors.ParseQuantity(text, l.Dimension)
			if err != nil {
				return nil, err
			}
			set.Value = v
		}
		given[l.Key] = set
	}
	if len(given) != len(keys) {
		return nil, fmt.Errorf("%s does not know all of %v", step, keys)
	}
	return given, nil
}

func (s *Script) row(line string) error {
	switch {
	case strings.TrimSpace(line) == "" || strings.HasPrefix(line, "#"):
		return nil
	case strings.HasPrefix(line, "*"):
		return s.curve(words(line)[1:])
	}
	cols, err := csv.NewReader(strings.NewReader(line)).Read()
	if err != nil {
		return err
	}
	if len(cols) != 6 && len(cols) != 7 {
		return fmt.Errorf("%d columns; write time,kind,name,value,unit,note[,known]", len(cols))
	}
	r := Row{Kind: cols[1], Name: cols[2], Unit: cols[4], Note: cols[5]}
	if r.Time, err = time.ParseDuration(cols[0]); err != nil {
		return err
	}
	r.Known = r.Time
	if len(cols) == 7 && cols[6] != "" {
		if r.Known, err = time.ParseDuration(cols[6]); err != nil {
			return err
		}
	}
	if cols[3] != "" {
		r.HasValue = true
		if r.Value, err = strconv.ParseFloat(cols[3], 64); err != nil {
			return err
		}
	}
	s.Rows = append(s.Rows, r)
	return nil
}

// curve adds many readings: POINT FROM..TO every STEP line A..B UNIT, or
// plateau A+RISE tau TIME UNIT; then, in any order, noise RATIO (of the
// reading) or NUMBER UNIT-less with `abs`, rho CORRELATION, round DIGIT, seed N.
func (s *Script) curve(w []string) error {
	if len(w) < 7 || w[2] != "every" {
		return fmt.Errorf("write * POINT FROM..TO every STEP line A..B UNIT or plateau A+RISE tau TIME UNIT")
	}
	from, to, err := durations(w[1])
	if err != nil {
		return err
	}
	step, err := time.ParseDuration(w[3])
	if err != nil || step <= 0 {
		return fmt.Errorf("every %q?", w[3])
	}
	at, rest, err := shape(w[4:], (to - from).Seconds())
	if err != nil {
		return err
	}
	unit := rest[0]
	opts := map[string]float64{}
	for i := 1; i+1 < len(rest); i += 2 {
		if opts[rest[i]], err = strconv.ParseFloat(rest[i+1], 64); err != nil {
			return err
		}
	}
	r := noise(opts["seed"])
	drift, fresh := r.normal(), math.Sqrt(1-opts["rho"]*opts["rho"])
	for t := from; t <= to; t += step {
		v := at((t - from).Seconds())
		v += v*opts["noise"]*drift + opts["abs"]*drift
		drift = opts["rho"]*drift + fresh*r.normal()
		if d := opts["round"]; d > 0 {
			v = math.Round(v/d) * d
		}
		s.Rows = append(s.Rows, Row{Time: t, Known: t, Kind: "reading", Name: w[0], Value: v, HasValue: true, Unit: unit})
	}
	return nil
}

// noise is a small generator (splitmix64), the same on every machine and in every
// version of Go, as goldens need.
type noise uint64

// normal is nearly normal: twelve uniforms less six have spread one.
func (n *noise) normal() float64 {
	sum := -6.0
	for range 12 {
		*n += 0x9e3779b97f4a7c15
		z := uint64(*n)
		z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		sum += float64((z^z>>31)>>11) / (1 << 53)
	}
	return sum
}

func durations(text string) (from, to time.Duration, err error) {
	a, b, ok := strings.Cut(text, "..")
	if !ok {
		return 0, 0, fmt.Errorf("%q is not FROM..TO", text)
	}
	if from, err = time.ParseDuration(a); err != nil {
		return 0, 0, err
	}
	to, err = time.ParseDuration(b)
	return from, to, err
}

func shape(w []string, span float64) (func(float64) float64, []string, error) {
	sep := map[string]string{"line": "..", "plateau": "+"}[w[0]]
	if sep == "" {
		return nil, nil, fmt.Errorf("%q is neither line nor plateau", w[0])
	}
	at, bt, ok := strings.Cut(w[1], sep)
	a, err1 := strconv.ParseFloat(at, 64)
	b, err2 := strconv.ParseFloat(bt, 64)
	if !ok || err1 != nil || err2 != nil {
		return nil, nil, fmt.Errorf("%q is not A%sB", w[1], sep)
	}
	if w[0] == "line" && span == 0 { // one reading
		return func(float64) float64 { return a }, w[2:], nil
	}
	if w[0] == "line" {
		return func(t float64) float64 { return a + (b-a)*t/span }, w[2:], nil
	}
	if len(w) < 5 || w[2] != "tau" {
		return nil, nil, fmt.Errorf("plateau wants tau TIME UNIT")
	}
	tau, err := time.ParseDuration(w[3])
	if err != nil {
		return nil, nil, err
	}
	return func(t float64) float64 { return a + b*(1-math.Exp(-t/tau.Seconds())) }, w[4:], nil
}

// Entries is what the box's journal would hold: a start, an anchor, the rows.
func (s *Script) Entries() []rules.Entry {
	j := &journal{points: map[string]sensors.Point{}}
	for _, p := range s.Site.Points {
		j.points[p.Name] = p
	}
	j.start(&rules.Started{GapKnown: true})
	for _, r := range s.Rows {
		j.add(r)
	}
	return j.entries
}

// journal numbers and stamps entries as the loop does.
type journal struct {
	points  map[string]sensors.Point
	entries []rules.Entry
	boot    uint32
	from    time.Duration // the script's time at the boot's beginning
	now     time.Duration // the script's
}

func (j *journal) put(b rules.Body) {
	j.entries = append(j.entries, rules.Entry{Seq: uint64(len(j.entries) + 1),
		At: rules.Instant{Boot: j.boot, Since: j.now - j.from + uptime}, Body: b})
}

// uptime is how long the machine runs before the box's program starts.
const uptime = 20 * time.Second

func (j *journal) start(b *rules.Started) {
	j.boot++
	j.from = j.now
	j.put(b)
	j.put(&rules.Clocked{Wall: epoch + j.now.Milliseconds(), Source: "log", Proven: true})
}

func (j *journal) add(r Row) {
	was := j.now
	j.now = max(j.now, r.Known)
	own := epoch + r.Time.Milliseconds()
	switch r.Kind {
	case "reading":
		j.put(&rules.Measured{Reading: j.reading(r, own), Taken: r.Time - j.from + uptime})
	case "mark":
		if r.Name == "power-cut" {
			j.start(&rules.Started{Gap: j.now - was, GapKnown: r.Note != "unproven", Same: r.Note == "restarted"})
			return
		}
		fallthrough
	default:
		t := &rules.Told{Kind: r.Kind, Name: r.Name, Note: r.Note, Value: r.Value, Unit: r.Unit, Own: own}
		if r.Kind == "begin" || r.Kind == "end" {
			if system, step, ok := strings.Cut(r.Name, "/"); ok {
				t.System, t.Name = system, step
			}
		}
		j.put(t)
	}
}

func (j *journal) reading(r Row, own int64) sensors.Reading {
	p := j.points[r.Name]
	m := sensors.Reading{Point: r.Name}
	if r.HasValue {
		unit := r.Unit
		if unit == "" {
			unit = p.Unit
		}
		m = p.Quantity.Reading(r.Name, r.Value, unit)
	}
	switch {
	case r.Note != "" && r.HasValue:
		m.Health = sensors.Health{Grade: sensors.Suspect, Reason: r.Note}
	case !r.HasValue:
		m.Health = sensors.Health{Grade: sensors.Failed, Reason: r.Note}
	}
	m.Own = own
	return m
}

// Run feeds the entries to a new engine.
func (s *Script) Run() []rules.Finding {
	return Feed(rules.NewEngine(s.Site, s.Rules), s.Entries())
}

// Feed applies entries and returns what was found.
func Feed(e *rules.Engine, entries []rules.Entry) (fs []rules.Finding) {
	for _, x := range entries {
		fs = append(fs, e.Next(x)...)
	}
	return fs
}

// Print prints findings one a line, as a script expects them: a flag's edge
// with its urgency, or a verdict, then its sentence and its numbers.
func Print(fs []rules.Finding) string {
	var b strings.Builder
	for _, f := range fs {
		boot := ""
		if f.At.Boot > 1 {
			boot = fmt.Sprintf("boot %d, ", f.At.Boot)
		}
		fmt.Fprintf(&b, "%s%v %s", boot, f.At.Since-uptime, f.Edge)
		step := f.Step
		if f.System != "" {
			step = f.System + "/" + step
		}
		words := []string{f.Urgency.String(), f.Flag, step, f.Subject}
		if f.Edge == rules.Given {
			words = []string{step, f.Unit, f.Result, f.Cause}
		}
		for _, w := range words {
			if w != "" {
				b.WriteString(" " + w)
			}
		}
		fmt.Fprintf(&b, ": %s", f.Text)
		for _, v := range f.Values {
			fmt.Fprintf(&b, " %s=%s", v.Key, strconv.FormatFloat(v.Number, 'g', -1, 64))
		}
		for _, p := range f.Pairs {
			fmt.Fprintf(&b, " %s->%s", p.Unit, p.Answers)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// WithFound is the script's text with other expectations.
func (s *Script) WithFound(fs []rules.Finding) string { return s.head + found + Print(fs) }
