package rules

import (
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// TakeOff judges the take-off: what its lines come to, and what about them is more likely a slip than a pipe.
var TakeOff = Rule{
	Name:  "take-off",
	Doc:   "Adds up the take-off, doubts what looks like a slip of unit, row or diameter, and gives its verdict.",
	Steps: []string{"take-off"},
	Flags: []string{"take-off-doubtful", "room-limit"},
	Roles: []string{},
	Begin: beginTakeOff,
}

// RoomLimit holds the whole charge against the smallest room before any of it goes in.
var RoomLimit = Rule{
	Name:  "room-limit",
	Doc:   "Wakes somebody when charging begins and the whole charge would be more than the site's limit for its smallest room.",
	Steps: []string{"draw-in", "weigh-in"},
	Flags: []string{"room-limit"},
	Roles: []string{},
	Begin: beginRoomLimit,
}

const (
	takeOffApart = 0.05       // of the added charge, between two take-offs (common practice)
	feetAMetre   = 1 / 0.3048 // by definition
	unevenBy     = 2          // liquid and suction line of one run lie side by side (common practice); the figure is our choice
	feetWithin   = 0.03       // of that ratio: two tapes along one pipe differ by less (our choice)
	longestM     = 165        // of pipe from the outdoor unit to the farthest room, as many makers allow (common practice, from memory)
	takeOffC     = 40         // of the liquid in lines without a factor (common practice)
	runMostM     = 10e3       // longer is a slip of the pen (our choice)
	sameM        = 0.06e-3    // 5/8 in is sold as 15.88, 15.875 and 15.9 mm
)

// Run is one measured piece of pipework, a row of the take-off.
type Run struct {
	Name             string
	Line             string // liquid, suction or hot-gas
	OutsideDiameterM float64
	LengthM          float64
	WallM            float64 // 0: by the tube's standard
	FactorKgM        float64 // the maker's mass a length; 0: none given
	Row              int     // its line in the take-off's file; 0: entered by hand
}

// The columns of a take-off: the first four are needed.
var (
	RunColumns = []string{"run", "line", "outside_diameter", "length", "wall", "factor"}
	RunLines   = []string{"liquid", "suction", "hot-gas"}
)

// RunNeeds is how many of RunColumns every take-off has.
const RunNeeds = 4

// RunFault is what is wrong with one column of a row, and what would be right.
type RunFault struct{ Column, Problem, Want string }

// String is both in one.
func (f RunFault) String() string {
	if f.Want == "" {
		return f.Problem
	}
	return f.Problem + "; " + f.Want
}

// ReadRun reads a row as people write it: a text a column, empty where there is none.
func ReadRun(text func(column string) string) (r Run, faults []RunFault) {
	fault := func(column, problem, want string) {
		faults = append(faults, RunFault{column, column + ": " + problem, want})
	}
	length := func(column string) float64 {
		t := text(column)
		if t == "" && slices.Index(RunColumns, column) >= RunNeeds {
			return 0
		}
		v, err := sensors.ParseQuantity(t, sensors.Lengths)
		if err == nil && (v <= 0 || v > runMostM) {
			err = fmt.Errorf("%q is no length of pipe", t)
		}
		if err != nil {
			fault(column, err.Error(), "")
			return 0
		}
		return v
	}
	r.Name, r.Line = text("run"), text("line")
	if !slices.Contains(RunLines, r.Line) {
		fault("line", fmt.Sprintf("%q is not a kind of line", r.Line), sensors.Known(r.Line, RunLines, ""))
	}
	r.OutsideDiameterM, r.LengthM, r.WallM = length("outside_diameter"), length("length"), length("wall")
	if r.OutsideDiameterM > 0 {
		if _, err := physics.TubeOf(r.OutsideDiameterM, r.WallM); err != nil {
			fault("outside_diameter", err.Error(), "")
		}
	}
	if t := text("factor"); t != "" {
		v, ok := massPerLength(t)
		if !ok {
			fault("factor", fmt.Sprintf("%q is not a mass a length", t), "write 0.048 kg/m or 0.032 lb/ft, the maker's figure")
		}
		r.FactorKgM = v
	}
	return r, faults
}

// Fields are the run's columns as text that ReadRun reads back.
func (r Run) Fields() []string {
	text := func(v, scale float64, unit string) string {
		if v == 0 {
			return ""
		}
		return strconv.FormatFloat(v*scale, 'g', 7, 64) + " " + unit
	}
	return []string{r.Name, r.Line, text(r.OutsideDiameterM, 1e3, "mm"), text(r.LengthM, 1, "m"), text(r.WallM, 1e3, "mm"), text(r.FactorKgM, 1, "kg/m")}
}

// massPerLength reads the maker's factor, in kg/m.
func massPerLength(text string) (float64, bool) {
	scale := 1.0
	number, ok := strings.CutSuffix(text, "kg/m")
	if !ok {
		if number, ok = strings.CutSuffix(text, "lb/ft"); !ok {
			return 0, false
		}
		scale = 0.45359237 / 0.3048 // exact, both by definition
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	return float64(v * scale), err == nil && v > 0 && v < 100
}

// line is the run as physics sees it: with its bore.
func (r Run) line() (physics.Line, error) {
	tube, err := physics.TubeOf(r.OutsideDiameterM, r.WallM)
	return physics.Line{Tube: tube, LengthM: r.LengthM, Liquid: r.Line == "liquid", FactorKgM: r.FactorKgM}, err
}

// Pipework is a take-off with what stands beside its lines.
type Pipework struct {
	Runs        []Run
	Refrigerant string
	LiquidC     float64 // of the liquid in lines without the maker's factor
	ExtraKg     float64 // the maker's allowances
	FactoryKg   float64 // what the outdoor units come with; 0: not known of each
	BesideM3    float64 // what coils and branch units hold
}

// Pipework is the system's, with these runs.
func (s System) Pipework(runs []Run) Pipework {
	return Pipework{runs, s.Refrigerant, takeOffC, s.ExtraKg, s.WholeFactoryKg(), s.CoilsM3}
}

// PipeSum is what a take-off comes to.
type PipeSum struct {
	physics.Charge
	LiquidKgM3   float64 // 0: nobody says which refrigerant
	Lines        []physics.Line
	AdditionalKg float64 // for the lines, and the allowances
	TotalKg      float64 // with the factory's
	InsideM3     float64 // of lines, coils and branch units
	LiquidM      float64 // length of the liquid lines
	GasM         float64
	Estimated    int // liquid lines without the maker's factor
}

// Known reports whether the charge can be told at all: it goes by the liquid lines.
func (s PipeSum) Known() bool { return s.LiquidM > 0 && (!s.Estimate || s.LiquidKgM3 > 0) }

// Sum adds a take-off up. The maker's factor governs a line that has one.
func (p Pipework) Sum() (PipeSum, error) {
	var s PipeSum
	if p.Refrigerant != "" {
		r, err := physics.RefrigerantNamed(p.Refrigerant)
		if err != nil {
			return s, err
		}
		if s.LiquidKgM3, err = r.LiquidKgPerM3(p.LiquidC); err != nil {
			return s, err
		}
	}
	for _, r := range p.Runs {
		l, err := r.line()
		if err != nil {
			return s, fmt.Errorf("run %q: %w", r.Name, err)
		}
		s.Lines = append(s.Lines, l)
		if l.Liquid {
			s.LiquidM += l.LengthM
			if l.FactorKgM == 0 {
				s.Estimated++
			}
		} else {
			s.GasM += l.LengthM
		}
	}
	s.Charge = physics.ChargeOf(s.Lines, s.LiquidKgM3)
	s.AdditionalKg = s.LinesKg + p.ExtraKg
	s.TotalKg = s.AdditionalKg + p.FactoryKg
	s.InsideM3 = s.TotalM3 + p.BesideM3
	return s, nil
}

// Doubt is one thing about a take-off that is more likely a slip than a pipe.
type Doubt struct {
	Kind string // row, factor, lengths, units, long, twice, contradiction, missing, second or target
	Text string
}

// OfRows reports whether a row or two give rise to the doubt; else all of them
// together do, and it may go as more come in.
func (d Doubt) OfRows() bool {
	return d.Kind == "row" || d.Kind == "factor" || d.Kind == "lengths" || d.Kind == "twice" || d.Kind == "contradiction"
}

// Doubts looks at a take-off by itself.
func (p Pipework) Doubts() (found []Doubt) {
	s, err := p.Sum()
	if err != nil {
		return []Doubt{{"row", takeOffUnreadable(err.Error())}}
	}
	add := func(kind string, texts []string, ending string) {
		if len(texts) > 0 {
			found = append(found, Doubt{kind, strings.Join(texts, " ") + ending})
		}
	}
	var factors, units, twice, contrary []string
	for i, l := range s.Lines {
		if l.FactorKgM > 0 && !l.Liquid {
			factors = append(factors, factorOnGas(p.Runs[i]))
		} else if ratio, doubtful := l.FactorRatio(s.LiquidKgM3); doubtful && s.LiquidKgM3 > 0 {
			factors = append(factors, factorOff(p.Runs[i], ratio, float64(l.Tube.M3PerM()*s.LiquidKgM3), p.Refrigerant, p.LiquidC))
		}
	}
	for i, a := range p.Runs {
		seen := false // a run's first row stands for those like it
		for _, b := range p.Runs[:i] {
			if a.Name != b.Name {
				continue
			}
			liquid, gas := a, b
			if liquid.Line != "liquid" {
				liquid, gas = b, a
			}
			if liquid.Line == "liquid" && gas.Line != "liquid" && gas.OutsideDiameterM < liquid.OutsideDiameterM-sameM {
				if text := gasThinner(liquid, gas); !slices.Contains(contrary, text) {
					contrary = append(contrary, text)
				}
			}
			sameSize := math.Abs(a.OutsideDiameterM-b.OutsideDiameterM) <= sameM
			switch {
			case seen:
			case a.Line == b.Line && sameSize && a.LengthM == b.LengthM:
				twice, seen = append(twice, runTwice(a)), true
			case a.Line == b.Line && !sameSize:
				contrary, seen = append(contrary, runContrary(b, a)), true
			case a.Line != b.Line:
				seen = true
				if slipped(a.LengthM, b.LengthM) {
					units = append(units, linesApart(b, a))
				}
			}
		}
	}
	add("factor", factors, factorOffDo)
	add("factor", p.twoFactors(), "")
	add("lengths", units, "")
	feet, far := p.tooLong()
	add("units", feet, "")
	add("long", far, "")
	add("twice", twice, "")
	add("contradiction", contrary, "")
	if add("missing", p.missing(s), ""); len(feet)+len(far) == 0 {
		add("missing", p.uneven(), "")
	}
	return found
}

// twoFactors names each size of liquid line that has several factors: a maker's
// table has one for a diameter. The same one in kg/m and in lb/ft, rounded, is
// less apart than two that were meant to differ.
func (p Pipework) twoFactors() (texts []string) {
	for i, a := range p.Runs {
		ofSize := func(b Run) bool {
			return b.Line == "liquid" && b.FactorKgM > 0 && math.Abs(a.OutsideDiameterM-b.OutsideDiameterM) <= sameM && a.WallM == b.WallM
		}
		if !ofSize(a) || slices.ContainsFunc(p.Runs[:i], ofSize) { // the first row of a size stands for it
			continue
		}
		for _, b := range p.Runs[i+1:] {
			if ofSize(b) && math.Abs(b.FactorKgM-a.FactorKgM) > float64(takeOffApart*a.FactorKgM) {
				texts = append(texts, factorsApart(a, b))
				break
			}
		}
	}
	return texts
}

// tooLong names the longest row where feet are likely to stand as metres: it is
// longer than all the way to the farthest room may be, and would not be in feet.
// What would be in feet, too, is another slip.
func (p Pipework) tooLong() (feet, far []string) {
	var longest Run
	for _, r := range p.Runs {
		if r.LengthM > longest.LengthM {
			longest = r
		}
	}
	switch {
	case longest.LengthM <= longestM:
	case longest.LengthM <= longestM*feetAMetre:
		feet = []string{lineTooLong(longest)}
	default:
		far = []string{lineFarTooLong(longest)}
	}
	return feet, far
}

// uneven names the runs of which one line is far longer than the other, all
// their rows together.
func (p Pipework) uneven() (texts []string) {
	for i, a := range p.Runs {
		if slices.ContainsFunc(p.Runs[:i], func(b Run) bool { return a.Name == b.Name }) { // a run's first row stands for it
			continue
		}
		var liquidM, suctionM float64
		for _, b := range p.Runs[i:] {
			switch {
			case a.Name != b.Name:
			case b.Line == "liquid":
				liquidM += b.LengthM
			case b.Line == "suction":
				suctionM += b.LengthM
			}
		}
		if least := min(liquidM, suctionM); least > 0 && max(liquidM, suctionM) > unevenBy*least && !slipped(liquidM, suctionM) {
			texts = append(texts, linesUneven(a.Name, liquidM, suctionM))
		}
	}
	return texts
}

// slipped reports whether two lengths that should be about the same are feet and metres of each other.
func slipped(a, b float64) bool {
	ratio := max(a, b) / min(a, b)
	return math.Abs(ratio/feetAMetre-1) <= feetWithin
}

// missing names the runs that lack a line which others have beside the same one.
func (p Pipework) missing(s PipeSum) (texts []string) {
	has := func(name string, liquid bool) bool {
		return slices.ContainsFunc(p.Runs, func(r Run) bool { return r.Name == name && (r.Line == "liquid") == liquid })
	}
	if len(p.Runs) > 0 && s.GasM == 0 {
		return []string{noGasLines(s.TotalM3)}
	}
	if len(p.Runs) > 0 && s.LiquidM == 0 {
		return []string{noLiquidLines}
	}
	paired := slices.ContainsFunc(p.Runs, func(r Run) bool { return has(r.Name, true) && has(r.Name, false) })
	var named []string
	for _, r := range p.Runs {
		if !paired || slices.Contains(named, r.Name) {
			continue
		}
		named = append(named, r.Name)
		if !has(r.Name, true) || !has(r.Name, false) {
			texts = append(texts, lineMissing(r, has(r.Name, true)))
		}
	}
	return texts
}

// Against holds a take-off against that of the site file.
func (p Pipework) Against(file Pipework) (found []Doubt) {
	a, err := p.Sum()
	b, bad := file.Sum()
	if err != nil || bad != nil {
		return nil
	}
	found = sumsApart("that of the site file", a.AdditionalKg, b.AdditionalKg, a.LiquidM+a.GasM, b.LiquidM+b.GasM)
	var rows []string
	for _, r := range p.Runs {
		for _, o := range file.Runs {
			if r.Name == o.Name && r.Line == o.Line && slipped(r.LengthM, o.LengthM) {
				rows = append(rows, rowsApart(r, o))
			}
		}
	}
	if len(rows) > 0 && !slices.ContainsFunc(found, func(d Doubt) bool { return d.Kind == "units" }) {
		found = append(found, Doubt{"units", strings.Join(rows, " ")})
	}
	return found
}

// sumsApart doubts two take-offs whose charge differs by more than measuring does.
func sumsApart(other string, nowKg, beforeKg, nowM, beforeM float64) (found []Doubt) {
	if beforeM > 0 && nowM > 0 && slipped(nowM, beforeM) {
		found = append(found, Doubt{"units", lengthsApart(other, nowM, beforeM)})
	}
	if beforeKg > 0 && math.Abs(nowKg-beforeKg) > float64(takeOffApart*beforeKg) {
		found = append(found, Doubt{"second", takeOffsApart(other, nowKg, beforeKg)})
	}
	return found
}

// Entered are the rows of a take-off that people enter on a page, each a mark,
// so that a replay sees the same.
type Entered struct {
	Rows []EnteredRow
	Bad  []BadRow
}

// BadRow could not be read as a row. A good one of the same run puts it right.
type BadRow struct{ Run, Text string }

// EnteredRow is one of them, as written.
type EnteredRow struct {
	Run
	Fields []string // by RunColumns
}

const (
	rowAdded   = "take-off row: "
	rowRemoved = "take-off row removed: "
)

// RowMark is the mark that adds a row to a take-off, or takes it out again.
func RowMark(system string, fields []string, removed bool) Told {
	var b strings.Builder
	w := csv.NewWriter(&b)
	_ = w.Write(fields) // into memory
	w.Flush()
	what := rowAdded
	if removed {
		what = rowRemoved
	}
	return Told{Kind: "mark", Name: "setting", System: system, Note: OfSystem(system, what) + strings.TrimRight(b.String(), "\n")}
}

// OfSystem is how a mark's note names a step of a system: as begin and end do.
func OfSystem(system, step string) string {
	if system == "" {
		return step
	}
	return system + "/" + step
}

// Tell takes a mark, if it is of a row of the system's take-off.
func (e *Entered) Tell(b *Told, system string) bool {
	if b.Kind != "mark" || b.Name != "setting" {
		return false
	}
	note := strings.TrimPrefix(b.Note, OfSystem(system, ""))
	text, removed := strings.CutPrefix(note, rowRemoved)
	if !removed {
		var ok bool
		if text, ok = strings.CutPrefix(note, rowAdded); !ok {
			return false
		}
	}
	fields, err := csv.NewReader(strings.NewReader(text)).Read()
	if err == nil && (len(fields) < RunNeeds || len(fields) > len(RunColumns)) {
		err = fmt.Errorf("a row has %s", strings.Join(RunColumns, ","))
	}
	run, _, _ := strings.Cut(text, ",")
	if err != nil {
		e.bad(run, text, err.Error())
		return true
	}
	for len(fields) < len(RunColumns) {
		fields = append(fields, "")
	}
	if removed {
		for i := len(e.Rows) - 1; i >= 0; i-- {
			if slices.Equal(e.Rows[i].Fields, fields) {
				e.Rows = slices.Delete(slices.Clone(e.Rows), i, i+1)
				return true
			}
		}
		e.bad(run, text, "there is no such row to take out")
		return true
	}
	r, faults := ReadRun(func(column string) string { return fields[slices.Index(RunColumns, column)] })
	if len(faults) > 0 {
		e.bad(run, text, faults[0].String())
		return true
	}
	e.Rows = append(slices.Clone(e.Rows), EnteredRow{r, fields})
	e.Bad = slices.DeleteFunc(slices.Clone(e.Bad), func(b BadRow) bool { return b.Run == run })
	return true
}

func (e *Entered) bad(run, text, why string) {
	e.Bad = append(slices.Clone(e.Bad), BadRow{run, rowUnreadable(text, why)})
}

// Runs are the rows' runs.
func (e Entered) Runs() (runs []Run) {
	for _, r := range e.Rows {
		runs = append(runs, r.Run)
	}
	return runs
}

// TakenOff is a system's take-off: what was entered, or else the site file's;
// with what about it is doubtful.
func (s System) TakenOff(e Entered) (p Pipework, doubts []Doubt) {
	p = s.Pipework(s.Runs)
	if len(e.Rows) > 0 {
		p = s.Pipework(e.Runs())
	}
	doubts = p.Doubts()
	for i := len(e.Bad) - 1; i >= 0; i-- {
		doubts = append([]Doubt{{"row", e.Bad[i].Text}}, doubts...)
	}
	if len(e.Rows) > 0 && len(s.Runs) > 0 {
		for _, d := range p.Against(s.Pipework(s.Runs)) { // what is compared says more than what is merely long
			doubts = append(slices.DeleteFunc(doubts, func(o Doubt) bool { return o.Kind == d.Kind }), d)
		}
	}
	sum, err := p.Sum()
	target := s.Steps["weigh-in"]["target"]
	if err == nil && target.Given && sum.Known() && !sum.Estimate && math.Abs(sum.AdditionalKg-target.Value) > float64(takeOffApart*target.Value) {
		doubts = append(doubts, Doubt{"target", targetApart(sum.AdditionalKg, target.Value)})
	}
	return p, doubts
}

// SmallestRoom is what a charge would come to in the smallest room that is
// known, against the site's limit.
func (s System) SmallestRoom(totalKg float64) (u Unit, kgM3 float64, over bool) {
	for _, x := range s.Units {
		if x.RoomM3 > 0 && (u.RoomM3 == 0 || x.RoomM3 < u.RoomM3) {
			u = x
		}
	}
	if u.RoomM3 == 0 {
		return u, 0, false
	}
	kgM3 = totalKg / u.RoomM3
	return u, kgM3, s.RoomLimitKgM3 > 0 && kgM3 > s.RoomLimitKgM3
}

func roomFlag(s System, u Unit, urgency Urgency, totalKg, kgM3 float64) Finding {
	return Finding{Edge: Raised, Flag: "room-limit", Subject: u.Name, Urgency: urgency, Text: roomOver(s, u, totalKg, kgM3),
		Values: []Value{{"total_kg", totalKg}, {"room_volume_m3", u.RoomM3}, {"room_kg_per_m3", kgM3}, {"limit_kg_per_m3", s.RoomLimitKgM3}}}
}

type takeOff struct {
	clock   watch
	plant   System
	entered Entered
	before  Finding       // the verdict of the take-off before; zero: none
	due     time.Duration // when to look at the whole, in the running boot
	armed   bool
	up      []Finding // what is raised
}

// rowsRest is how long no row has come when the take-off counts as whole: what
// is missing, and what it comes to, is not held against it while it is being entered (our choice).
const rowsRest = 5 * time.Minute

func beginTakeOff(s Start) Judge {
	j := &takeOff{clock: startWatch(s), plant: s.Plant, due: s.Entry.At.Since, armed: true}
	for _, f := range s.Earlier {
		if f.Step == "take-off" {
			j.before = f
		}
	}
	return j
}

// reckon is what stands now.
func (j *takeOff) reckon() (p Pipework, sum PipeSum, doubts []Doubt) {
	p, doubts = j.plant.TakenOff(j.entered)
	sum, _ = p.Sum() // its error is among the doubts
	return p, sum, sum.BesideBefore(j.before, doubts)
}

// BesideBefore adds what a take-off differs by from the one before, by that one's verdict, to what is doubtful about it.
func (s PipeSum) BesideBefore(before Finding, doubts []Doubt) []Doubt {
	if !s.Known() || before.Flag == "" {
		return doubts
	}
	kg, m := valueOf(before, "additional_kg"), valueOf(before, "liquid_length_m")+valueOf(before, "gas_length_m")
	for _, d := range sumsApart("the one before", s.AdditionalKg, kg, s.LiquidM+s.GasM, m) {
		if !slices.ContainsFunc(doubts, func(o Doubt) bool { return o.Kind == d.Kind }) {
			doubts = append(doubts, d)
		}
	}
	return doubts
}

func valueOf(f Finding, key string) float64 {
	for _, v := range f.Values {
		if v.Key == key {
			return v.Number
		}
	}
	return 0
}

func (j *takeOff) Next(e Entry) []Finding {
	j.clock.hear(e)
	b, told := e.Body.(*Told)
	_, due := e.Body.(*Due)
	_, started := e.Body.(*Started)
	switch {
	case told && b.Kind == "end" && b.Name == "take-off":
		return append(j.look(true), j.verdict())
	case told && j.entered.Tell(b, j.plant.Name):
		j.due, j.armed = e.At.Since+rowsRest, true
		return j.look(false)
	case due:
		j.armed = false
		return j.look(true)
	case started && j.armed:
		j.due = e.At.Since + rowsRest
	}
	return nil
}

// look raises what is doubtful now and clears what no longer is; whole says
// that no row has come for a while.
func (j *takeOff) look(whole bool) (out []Finding) {
	_, sum, doubts := j.reckon()
	var now []Finding
	for _, d := range doubts {
		f := Finding{Edge: Raised, Flag: "take-off-doubtful", Subject: d.Kind, Text: d.Text}
		if !d.OfRows() && !whole {
			continue
		}
		if d.Kind == "second" || d.Kind == "units" || d.Kind == "lengths" {
			f.Urgency = Tell
		}
		now = append(now, f)
	}
	if u, kgM3, over := j.plant.SmallestRoom(sum.TotalKg); over && sum.Known() {
		now = append(now, roomFlag(j.plant, u, Tell, sum.TotalKg, kgM3))
	}
	in := func(list []Finding, f Finding) bool {
		return slices.ContainsFunc(list, func(o Finding) bool { return o.Flag == f.Flag && o.Subject == f.Subject })
	}
	for _, f := range j.up {
		switch {
		case in(now, f):
		case f.Flag == "room-limit":
			out = append(out, Finding{Edge: Cleared, Flag: f.Flag, Subject: f.Subject, Text: roomWithin()})
		case Doubt{Kind: f.Subject}.OfRows() || whole:
			out = append(out, Finding{Edge: Cleared, Flag: f.Flag, Subject: f.Subject, Text: takeOffMended(f.Subject)})
		default: // looked at again once the rows rest
			now = append(now, f)
		}
	}
	for _, f := range now {
		if !in(j.up, f) {
			out = append(out, f)
		}
	}
	j.up = now
	return out
}

func (j *takeOff) verdict() Finding {
	p, sum, doubts := j.reckon()
	u, kgM3, over := j.plant.SmallestRoom(sum.TotalKg)
	f := Finding{Edge: Given, Result: Passed, Cause: "none"}
	switch {
	case !sum.Known():
		f.Result, f.Cause, f.Text = NotProven, "unknown", takeOffEmpty(p, sum)
		return f
	case over:
		f.Result, f.Cause = NotPassed, "room-limit"
	case len(doubts) > 0:
		f.Result, f.Cause = NotProven, "doubtful"
	case sum.Estimate:
		f.Result, f.Cause = NotProven, "estimate"
	}
	f.Text = takeOffIs(j.plant, f.Result, p, sum, doubts, u, kgM3, over)
	f.Values = []Value{{"liquid_volume_m3", sum.LiquidM3}, {"pipe_volume_m3", sum.TotalM3}, {"total_volume_m3", sum.InsideM3},
		{"additional_kg", sum.AdditionalKg}, {"factory_kg", p.FactoryKg}, {"total_kg", sum.TotalKg},
		{"liquid_length_m", sum.LiquidM}, {"gas_length_m", sum.GasM}, {"entered_rows", float64(len(j.entered.Rows))}, {"estimated_rows", float64(sum.Estimated)}}
	if u.RoomM3 > 0 {
		f.Values = append(f.Values, Value{"room_kg_per_m3", kgM3})
	}
	if j.plant.RoomLimitKgM3 > 0 {
		f.Values = append(f.Values, Value{"limit_kg_per_m3", j.plant.RoomLimitKgM3})
	}
	return f
}

// Due is when the rows have rested; at first at once: the site file's may be doubtful already.
func (j *takeOff) Due() (time.Duration, bool) { return j.due, j.armed }

// Outlook says what the lines come to so far.
func (j *takeOff) Outlook(at Instant) Outlook {
	p, sum, _ := j.reckon()
	slips := 0
	for _, f := range j.up {
		if f.Flag == "take-off-doubtful" {
			slips++
		}
	}
	o := Outlook{Elapsed: max(0, j.clock.of(at.Since)), Left: -1, Sentence: takeOffStands(p, sum, slips)}
	if sum.Known() {
		o.Figure, o.Quantity, o.HasFig, o.FigAt = Num(sum.AdditionalKg), sensors.Mass, true, at
		o.Sure = "likely"
		if slips > 0 {
			o.Sure = "too early to say"
		} else if !sum.Estimate {
			o.Sure = "sure"
		}
	}
	return o
}

// byTakeOff puts what was entered at the last take-off in the place of the site
// file's: its volume, and its charge as the target where the site gives none.
func byTakeOff(of System, step Step, given []Finding) (System, Step) {
	var last Finding
	for _, f := range given {
		if f.Step == "take-off" && f.System == of.Name && f.Cause != "unknown" {
			last = f
		}
	}
	if valueOf(last, "entered_rows") == 0 { // none, or the site file's own
		return of, step
	}
	of.PipeM3 = valueOf(last, "pipe_volume_m3")
	if t := step.Limits["target"]; !t.Given && (step.Name == "draw-in" || step.Name == "weigh-in") {
		limits := make(map[string]Setting, len(step.Limits)+1)
		for key, v := range step.Limits {
			limits[key] = v
		}
		limits["target"] = Setting{Value: valueOf(last, "additional_kg"), Doubt: last.Result != Passed,
			Source: targetSource(valueOf(last, "estimated_rows") > 0, last.Result == Passed || last.Cause == "estimate")}
		step.Limits = limits
	}
	return of, step
}

// WholeFactoryKg is what the outdoor units come with, 0 where it is not known of
// each: half of a charge on a label is worse than a blank.
func (s System) WholeFactoryKg() float64 {
	if len(s.FactoryOpen) > 0 {
		return 0
	}
	return s.FactoryKg
}

// targetOf is the additional charge by the site file's take-off.
func (s System) targetOf() (Setting, bool) {
	if len(s.Runs) == 0 {
		return Setting{}, false
	}
	sum, err := s.Pipework(s.Runs).Sum()
	if err != nil || !sum.Known() || sum.AdditionalKg <= 0 {
		return Setting{}, false
	}
	return Setting{Value: sum.AdditionalKg, Doubt: sum.Estimate, Source: targetSource(sum.Estimate, true)}, true
}

type roomLimit struct {
	plant   System
	totalKg float64
	urgency Urgency
	began   time.Duration
	looked  bool
}

func beginRoomLimit(s Start) Judge {
	target, aimed := limit(s.Step, "target")
	j := &roomLimit{plant: s.Plant, totalKg: s.Plant.FactoryKg + target.Value, began: s.Entry.At.Since, urgency: Wake, looked: !aimed}
	// Told at the draw-in, nobody is woken for it again at the weigh-in.
	if slices.ContainsFunc(s.Earlier, func(f Finding) bool { return f.Step == "draw-in" }) ||
		slices.ContainsFunc(s.Running, func(st Step) bool { return st.Name == "draw-in" }) {
		j.urgency = Tell
	}
	return j
}

func (j *roomLimit) Next(Entry) []Finding {
	if j.looked {
		return nil
	}
	j.looked = true
	if u, kgM3, over := j.plant.SmallestRoom(j.totalKg); over {
		return []Finding{roomFlag(j.plant, u, j.urgency, j.totalKg, kgM3)}
	}
	return nil
}

func (j *roomLimit) Due() (time.Duration, bool) { return j.began, !j.looked }
