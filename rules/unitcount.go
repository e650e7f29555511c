package rules

import (
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"standwatch/sensors"
)

// UnitCount holds the units that answer against the site file's list.
var UnitCount = Rule{
	Name: "unit-count",
	Doc: "Holds what was counted and found by name against the site file's units; where nobody entered a count, " +
		"it looks which supply air does not move when all fans are forced on.",
	Steps: []string{"unit-count"},
	Flags: []string{"unit-missing", unitUnexpected},
	Roles: []string{"supply-air"},
	Begin: beginUnitCount,
}

// UnitMissing says at the begin of a step that needs every unit that the last count did not prove them.
var UnitMissing = Rule{
	Name:  "unit-missing",
	Doc:   "Says when charging or a trial run begins and the last unit count has not passed.",
	Steps: []string{"weigh-in", "trial-run"},
	Flags: []string{"unit-missing"},
	Roles: []string{},
	Begin: beginUnitMissing,
}

// unitUnexpected is raised where one too many answers, or two at one address: what
// the outdoor unit makes of them nobody knows.
const unitUnexpected = "unit-unexpected"

// A fan forced on blows the room's air over a supply thermometer that had
// stood in the duct's. All of these are our choice; the field guide's step 8
// calls a response under 2 K of a strong one none.
const (
	fanBase    = 10 * time.Minute // before the command
	fanWaits   = 4 * time.Minute  // after it, while the air moves
	fanLooks   = 10 * time.Minute // after it, the move is looked at
	fanLeast   = 8                // readings on both sides
	fanMoveK   = 1.0              // the building's rooms must move by this, three quarters of them less than a quarter
	fanStillK  = 0.5              // less is no move: what a room drifts meanwhile
	fanStill   = 0.25             // of the building's: less is none
	fanNoiseK  = 0.2              // of a mean's own spread: worse tells nothing
	namedUnits = 3                // flags by name; more at once are one
)

type unitCount struct {
	plant   System
	clock   watch
	sheet   *AddressSheet
	marked  bool // something was entered
	fans    []*fan
	byPlace [][]*fan
	looked  bool // the fans were looked at since the last command
	asked   bool // a unit was asked to run
	last    time.Duration
	result  string
	text    string   // of the newest judgement
	said    string   // of the newest verdict
	raised  []string // subjects
	extra   bool     // unit-unexpected is up
}

// fan is one indoor unit with what its supply air did when its fan was forced on.
type fan struct {
	unit   Unit
	shared bool // its point stands for another unit too: which of them moved cannot be told
	every  time.Duration
	asked  string
	since  time.Duration
	ran    bool     // it ran before anything was heard: nothing to compare with
	base   []sample // before
	after  []sample
}

func beginUnitCount(s Start) Judge {
	j := &unitCount{plant: s.Plant, clock: startWatch(s), sheet: NewAddressSheet(s.Plant, s.Others...), byPlace: make([][]*fan, len(s.Points))}
	for _, u := range s.Units {
		x := &fan{unit: u, asked: s.Commands[u.Name]}
		x.ran = runs(x.asked)
		if x.unit.Supply == "" {
			x.unit.Supply = supplyOf(u, s.Points)
		}
		j.fans = append(j.fans, x)
	}
	for _, x := range j.fans {
		for _, o := range j.fans {
			x.shared = x.shared || o != x && o.unit.Supply != "" && o.unit.Supply == x.unit.Supply
		}
		for i, p := range s.Points {
			if p.Name == x.unit.Supply {
				x.every = p.Every
				j.byPlace[i] = append(j.byPlace[i], x)
			}
		}
	}
	return j
}

// supplyOf finds a unit's supply air where the site file does not name it: the point of that role that is called after it.
func supplyOf(u Unit, points []sensors.Point) string {
	for _, p := range points {
		if p.Role == "supply-air" && strings.HasPrefix(p.Name, u.Name+"-") {
			return p.Name
		}
	}
	return ""
}

func runs(command string) bool { return command == "fan" || command == "cool" || command == "heat" }

func (j *unitCount) Next(e Entry) []Finding {
	j.clock.hear(e)
	now := j.clock.newest
	switch b := e.Body.(type) {
	case *Measured:
		if b.Health.Usable() {
			for _, x := range j.byPlace[e.place] {
				x.add(sample{j.clock.of(b.Taken), b.Value})
			}
		}
	case *Told:
		switch {
		case b.Kind == "command":
			j.command(b, now)
		case b.Kind == "end" && b.Name == "unit-count":
			return j.judge(true)
		case j.sheet.Tell(b):
			j.marked = j.marked || b.Name != "setting"
			return j.judge(false)
		}
	case *Due:
		j.looked = true
		return j.judge(false)
	case *Started:
		for _, x := range j.fans {
			x.base, x.after = nil, nil
		}
	}
	return nil
}

func (x *fan) add(s sample) {
	to := &x.base
	switch {
	case !runs(x.asked):
	case x.ran || s.t < x.since+fanWaits || s.t > x.since+fanLooks:
		return
	default:
		to = &x.after
	}
	if n := len(*to); n > 0 && s.t <= (*to)[n-1].t {
		return
	}
	*to = append(*to, s)
	for !runs(x.asked) && s.t-(*to)[0].t > fanBase {
		*to = (*to)[1:]
	}
}

func (j *unitCount) command(b *Told, now time.Duration) {
	for _, x := range j.fans {
		if x.unit.Name != b.Name || x.asked == b.Note {
			continue
		}
		if !runs(b.Note) || !runs(x.asked) {
			x.after = nil
		}
		if !runs(b.Note) {
			x.base, x.ran = nil, false
		} else if !runs(x.asked) {
			x.since = now
			j.last, j.looked, j.asked = now, false, true
		}
		x.asked = b.Note
	}
}

// move is by how much a unit's supply air moved when its fan was forced on; ok where it can be told.
func (x *fan) move() (k float64, ok bool) {
	if x.shared || !runs(x.asked) || len(x.base) < fanLeast || len(x.after) < fanLeast || x.base[len(x.base)-1].t < x.since-max(fanWaits, 3*x.every) {
		return 0, false
	}
	a, sa := airMean(x.base)
	b, sb := airMean(x.after)
	if math.Sqrt(float64(sa*sa)+float64(sb*sb)) > fanNoiseK {
		return 0, false
	}
	return math.Abs(b - a), true
}

// airMean is the mean of readings and its spread, by the differences of neighbours: a drift is no noise.
func airMean(ss []sample) (mean, spread float64) {
	sum, sq := 0.0, 0.0
	for i, s := range ss {
		sum += s.v
		if i > 0 {
			d := s.v - ss[i-1].v
			sq += float64(d * d)
		}
	}
	n := float64(len(ss))
	return sum / n, math.Sqrt(sq / (2 * (n - 1)) / n)
}

// fansSay is what the fans forced on show.
type fansSay struct {
	moved, still, unseen []string // units, as people name them
	stillNames           []string
	usualK               float64
	points               []string
}

// lookAtFans compares the moves. ok is false where they cannot be told: too few are measured, or nothing moves.
func (j *unitCount) lookAtFans() (f fansSay, ok bool) {
	var moves []float64
	for _, x := range j.fans {
		if k, ok := x.move(); ok {
			moves = append(moves, k)
		}
	}
	if len(moves) < 2 {
		return f, false
	}
	sort.Float64s(moves)
	f.usualK = moves[len(moves)*3/4]
	if f.usualK < fanMoveK {
		return f, false
	}
	for _, x := range j.fans {
		k, ok := x.move()
		switch {
		case !ok:
			f.unseen = append(f.unseen, unitName(x.unit))
		case k < max(fanStillK, float64(fanStill*f.usualK)):
			f.still, f.stillNames = append(f.still, unitName(x.unit)), append(f.stillNames, x.unit.Name)
			f.points = append(f.points, x.unit.Supply)
		default:
			f.moved = append(f.moved, unitName(x.unit))
		}
	}
	return f, len(f.moved) >= 2
}

// judge gives the verdict that what is known supports; at the end also where it is incomplete.
func (j *unitCount) judge(final bool) (out []Finding) {
	fans, seen := fansSay{}, false
	if j.looked || final {
		fans, seen = j.lookAtFans()
	}
	result, cause, text, missing := j.byMarks(final)
	switch {
	case result != "":
		if seen && len(fans.still) > 0 && result == Passed { // it answers, yet its air stands still
			text += " " + fansStill(fans, true)
			missing = fans.stillNames
		}
	case seen && !j.marked && len(fans.still) > 0:
		result, cause, text, missing = NotPassed, "missing", fansStill(fans, false), fans.stillNames
	case seen && !j.marked && len(fans.unseen) == 0:
		result, cause, text = Passed, "none", fansMoved(len(fans.moved), fans.usualK)
	case final && seen && !j.marked:
		result, cause, text = NotProven, "unmeasured", fansUnseen(fans)
	case final:
		result, cause, text = NotProven, "not-entered", countNotEntered(j.asked, len(j.plant.Units))
	default:
		return nil
	}
	if len(missing) > namedUnits || len(missing) == 0 && cause == "missing" {
		missing = []string{""}
	}
	out = append(j.flags(missing, text, fans), j.unexpected(len(missing) == 0 && (cause == "too-many" || cause == "duplicate"), text)...)
	j.text = text
	if result == j.result && (text == j.said || result == Passed && !final) { // a row of the sheet more is no news
		return out
	}
	j.result, j.said = result, text
	return append(out, Finding{Edge: Given, Result: result, Cause: cause, Points: fans.points, Text: text, Values: j.values()})
}

// flags raises unit-missing for each unit that is missing, and clears what no longer is.
func (j *unitCount) flags(missing []string, text string, fans fansSay) (out []Finding) {
	for _, subject := range j.raised {
		if !slices.Contains(missing, subject) {
			out = append(out, Finding{Edge: Cleared, Flag: "unit-missing", Subject: subject, Text: countNow(subject, text)})
		}
	}
	for _, subject := range missing {
		if !slices.Contains(j.raised, subject) {
			f := Finding{Edge: Raised, Flag: "unit-missing", Subject: subject, Urgency: Tell, Text: text, Values: j.values()}
			for _, x := range j.fans {
				if x.unit.Name == subject && slices.Contains(fans.points, x.unit.Supply) {
					f.Points = []string{x.unit.Supply}
				}
			}
			out = append(out, f)
		}
	}
	j.raised = missing
	return out
}

// unexpected raises unit-unexpected where no unit is missing beside it, and clears it.
func (j *unitCount) unexpected(is bool, text string) []Finding {
	if is == j.extra {
		return nil
	}
	if j.extra = is; !is {
		return []Finding{{Edge: Cleared, Flag: unitUnexpected, Text: text}}
	}
	return []Finding{{Edge: Raised, Flag: unitUnexpected, Urgency: Tell, Text: text, Values: j.values()}}
}

// byMarks judges what people entered; result is empty where that says nothing yet.
func (j *unitCount) byMarks(final bool) (result, cause, text string, missing []string) {
	x := j.sheet
	indoor := x.Expected(KindIndoor)
	if !j.marked {
		return "", "", "", nil
	}
	if len(x.Rows)-len(x.Unknown()) == 0 {
		return NotProven, "unmeasured", noUnitsListed(), nil
	}
	w := countWords{sheet: x}
	w.twice = x.Twice()
	for _, r := range x.Unknown() {
		w.unknown = append(w.unknown, unnamedRow(r))
	}
	counted, told := x.Counts[KindIndoor]
	found := x.FoundOf(KindIndoor)
	unnamed := 0
	for _, r := range x.Unknown() {
		if r.Unit == "" {
			unnamed++
		}
	}
	few, many := false, false
	for _, kind := range Kinds() {
		if n, ok := x.Counts[kind]; ok {
			few, many = few || n < x.Expected(kind), many || n > x.Expected(kind)
		}
	}
	all := len(x.Rows) - len(x.Unknown())
	if x.All >= 0 {
		few, many = few || x.All < all, many || x.All > all
	}
	many = many || len(x.Unknown()) > unnamed || found+unnamed > indoor
	byName := !told && x.All < 0 // what was found by name is the count
	exact := told && counted == indoor || x.All == all || byName && found+unnamed == indoor && indoor > 0
	if byName && final && found+unnamed < indoor && found+unnamed > 0 {
		few = true
	}
	if named := len(x.Missing(KindIndoor)); few && (byName || told && found == counted && counted == indoor-named) {
		for _, r := range x.Missing(KindIndoor) {
			missing = append(missing, r.Unit)
			w.missing = append(w.missing, unitName(r.Site))
		}
	}
	if few && len(missing) == 0 {
		missing = []string{""} // nobody knows which
	}
	switch {
	case len(w.twice) > 0:
		return NotPassed, "duplicate", countFailed(w), missing
	case few:
		return NotPassed, "missing", countFailed(w), missing
	case many:
		return NotPassed, "too-many", countFailed(w), nil
	case exact:
		return Passed, "none", countExact(w), nil
	case final:
		return NotProven, "not-entered", countIncomplete(w), nil
	}
	return "", "", "", nil
}

func (j *unitCount) values() (vs []Value) {
	for _, kind := range Kinds() {
		n, told := j.sheet.Counts[kind]
		if kind == KindIndoor && !told {
			n, told = j.sheet.FoundOf(kind), j.sheet.FoundOf(kind) > 0
		}
		if n := j.sheet.Expected(kind); n > 0 || told {
			vs = append(vs, Value{"expected_" + kind + "_units", float64(n)})
		}
		if told {
			vs = append(vs, Value{"found_" + kind + "_units", float64(n)})
		}
	}
	return append(vs, Value{"elapsed_s", seconds(j.clock.newest)})
}

// Due is when the last fan forced on has run for long enough to look at all.
func (j *unitCount) Due() (time.Duration, bool) {
	return j.clock.when(j.last + fanLooks), j.asked && !j.looked
}

// Outlook says what is entered, unit by unit.
func (j *unitCount) Outlook(at Instant) Outlook {
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Sure: "too early to say"}
	if j.result != "" {
		o.Sure = "sure"
	}
	for _, x := range j.fans {
		u := UnitStand{Unit: x.unit.Name, Asked: x.asked}
		for _, r := range j.sheet.Rows {
			if r.Kind == KindIndoor && r.Unit == u.Unit && r.Found {
				u.Result, u.Cause, u.Sentence = Passed, "none", rowStands(r)
			}
		}
		switch {
		case u.Result != "":
		case slices.Contains(j.raised, u.Unit):
			u.Result, u.Cause, u.Sentence = NotPassed, "missing", unitIsMissing(x.unit)
		default:
			u.Sentence = unitNotEntered(x.unit)
		}
		o.Units = append(o.Units, u)
	}
	o.Values = rounded(j.values())
	o.Sentence = countStands(j.sheet, o.Elapsed, j.result, j.text)
	return o
}

type unitMissing struct {
	due  time.Duration
	text string
	how  Urgency
}

// beginUnitMissing looks how the unit count stands as a step begins that needs
// every unit. One done before the box came, or accepted, is answered for.
func beginUnitMissing(s Start) Judge {
	j := &unitMissing{due: s.Entry.At.Since}
	if slices.Contains(s.Answered, "unit-count") {
		return j
	}
	result := ""
	for _, f := range s.Earlier {
		if f.Step == "unit-count" {
			result = f.Result
		}
	}
	switch {
	case result == Passed:
	case result != "" || slices.ContainsFunc(s.Running, func(x Step) bool { return x.Name == "unit-count" }):
		j.how, j.text = Tell, countNotPassed(s.Step.Name, result)
	case s.Step.Name == "trial-run":
		j.how, j.text = Note, noCount(s.Step.Name)
	}
	return j
}

func (j *unitMissing) Next(Entry) []Finding {
	if j.text == "" {
		return nil
	}
	text := j.text
	j.text = ""
	return []Finding{{Edge: Raised, Flag: "unit-missing", Urgency: j.how, Text: text}}
}

func (j *unitMissing) Due() (time.Duration, bool) { return j.due, j.text != "" }
