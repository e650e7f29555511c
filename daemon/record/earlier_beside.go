package record

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// Earlier is an earlier visit, as its bundle told it, with its figures beside
// this job's. It judges nothing: a difference has its conditions beside it, and
// what it means a person says.
type Earlier struct {
	Bundle string    `json:"bundle_sha256"`
	By     string    `json:"taken_in_by,omitempty"`
	At     time.Time `json:"taken_in,omitzero"`
	// Kept is false where this journal has the mark alone, as one that was made
	// from a field log: then What is all it knows.
	Kept bool   `json:"kept"`
	What string `json:"what"`

	Site        string    `json:"site,omitempty"`
	System      string    `json:"system,omitempty"`
	Refrigerant string    `json:"refrigerant,omitempty"`
	Job         int       `json:"job,omitempty"`
	JobName     string    `json:"job_name,omitempty"`
	Made        time.Time `json:"made,omitzero"` // of the last entry that its record rests on
	Entries     uint64    `json:"entries,omitempty"`
	Signed      []string  `json:"signed,omitempty"`
	Key         string    `json:"key,omitempty"`
	Known       string    `json:"key_known,omitempty"`
	Changed     []string  `json:"changed,omitempty"` // what is not as it was signed
	Reason      string    `json:"reason,omitempty"`
	Unread      []string  `json:"unread,omitempty"`
	Doubts      []string  `json:"doubts,omitempty"` // that it is of this system

	Steps   []StepBeside `json:"steps,omitempty"`
	Units   []Matched    `json:"units,omitempty"` // of both visits
	Gone    []string     `json:"units_gone,omitempty"`
	New     []string     `json:"units_new,omitempty"`
	Figures []Beside     `json:"figures,omitempty"`
}

// StepBeside is how a step came out then and now; empty: it was not begun.
type StepBeside struct {
	Step      string    `json:"step"`
	Then      string    `json:"then,omitempty"`
	ThenBegun time.Time `json:"then_begun,omitzero"`
	Now       string    `json:"now,omitempty"`
	NowBegun  time.Time `json:"now_begun,omitzero"`
}

// Matched is an indoor unit that both visits have.
type Matched struct {
	Unit           string `json:"unit"`
	Earlier        string `json:"earlier_unit"`
	By             string `json:"matched_by"` // address, name
	Room           string `json:"room,omitempty"`
	EarlierRoom    string `json:"earlier_room,omitempty"`
	Address        string `json:"address,omitempty"`
	EarlierAddress string `json:"earlier_address,omitempty"`
}

// ByAddress and ByName are how units of two visits are found to be the same.
const (
	ByAddress = "address"
	ByName    = "name"
)

// Beside is one figure then and now; nil: that visit has none.
type Beside struct {
	Step       string   `json:"step,omitempty"` // empty: of the charge
	Unit       string   `json:"unit,omitempty"` // as it is called now
	Of         string   `json:"of,omitempty"`   // of a length: line and diameter
	Key        string   `json:"key"`
	Then       *float64 `json:"then"`
	Now        *float64 `json:"now"`
	Difference *float64 `json:"difference,omitempty"` // now less then
}

// OutdoorKey is the outdoor air over a step, its mean.
const OutdoorKey = "outdoor_c"

// besideSteps are the steps whose figures are set side by side, with which. Of
// every other step only how it came out stands there.
var besideSteps = []besideStep{
	{"pressure-test", []string{"start_pa", "end_pa", "compensated_change_pa", "elapsed_s"}},
	{"evacuation", []string{"end_pa", "elapsed_s"}},
	{"vacuum-hold", []string{"start_pa", "end_pa", "peak_pa", "rise_pa_per_s", "plateau_pa", "leak_pa_m3_per_s", "elapsed_s"}},
	{"preheat", []string{"energised_s", "sump_over_ambient_k"}},
	{"trial-run", []string{"superheat_k", "suction_c", "suction_pa", "subcooling_k", "liquid_c", "liquid_pa", "line_loss_k", "discharge_c", "head_k"}},
	{"cooling-check", nil},
	{"heating-check", nil},
	{"branch-check", []string{"straight_units", "crossed_units", "dead_units"}},
	{"mixed-run", nil},
}

type besideStep struct {
	step string
	keys []string // nil: it judges unit by unit
}

// besideUnits are the figures of a unit in a step that judges each.
var besideUnits = []string{"return_c", "supply_c", "split_k", "wet_bulb_c"}

// compare sets a visit beside a record.
func compare(v Visit, now Record, site rules.Site) Earlier {
	then := v.Record
	e := Earlier{Bundle: v.Bundle, Kept: true, What: v.What(), Site: then.Site, System: then.System.Name, Refrigerant: then.System.Refrigerant, Job: then.Job.Number, JobName: then.Job.Name,
		Made: then.Made, Entries: then.Entries, Key: v.Key, Known: v.Known, Changed: v.Changed, Reason: v.Reason, Unread: v.Unread, Doubts: v.Doubts(site, now.System.Name)}
	if site.Zone != nil {
		e.Made = inZone(e.Made, site.Zone)
	}
	for _, s := range then.Signatures {
		e.Signed = append(e.Signed, strings.TrimPrefix(s.Role+" ", " ")+s.Name)
	}
	e.Units, e.Gone, e.New = match(then, now)
	put := func(step, unit, of, key string, a, b float64, hasA, hasB bool) {
		if x, ok := besideOf(a, b, hasA, hasB); ok {
			x.Step, x.Unit, x.Of, x.Key = step, unit, of, key
			e.Figures = append(e.Figures, x)
		}
	}
	a, b := then.Charge, now.Charge
	put("", "", "", "factory_kg", a.FactoryKg, b.FactoryKg, a.FactoryKg != 0, b.FactoryKg != 0)
	put("", "", "", "additional_kg", a.AdditionalKg, b.AdditionalKg, a.Weighed, b.Weighed)
	put("", "", "", "total_kg", a.TotalKg, b.TotalKg, a.TotalKg != 0, b.TotalKg != 0)
	put("", "", "", "target_kg", a.TargetKg, b.TargetKg, a.TargetKg != 0, b.TargetKg != 0)
	t, u := then.TakeOff, now.TakeOff
	put("take-off", "", "", "liquid_length_m", t.LiquidM, u.LiquidM, t.LiquidM != 0, u.LiquidM != 0)
	put("take-off", "", "", "gas_length_m", t.GasM, u.GasM, t.GasM != 0, u.GasM != 0)
	lengths := slices.Clone(u.ByDiameter)
	for _, l := range t.ByDiameter {
		if !slices.ContainsFunc(lengths, l.same) {
			lengths = append(lengths, l)
		}
	}
	of := func(all []Length, l Length) (float64, bool) {
		if i := slices.IndexFunc(all, l.same); i >= 0 {
			return all[i].LengthM, true
		}
		return 0, false
	}
	for _, l := range lengths {
		was, had := of(t.ByDiameter, l)
		is, has := of(u.ByDiameter, l)
		put("take-off", "", strings.TrimSpace(l.Line+" "+diameterNamed(l.DiameterM)), "run_length_m", was, is, had, has)
	}
	for _, name := range rules.StepNames() {
		was, had := newestStep(then.Steps, name)
		is, has := newestStep(now.Steps, name)
		if !had && !has {
			continue
		}
		e.Steps = append(e.Steps, StepBeside{name, was.State, inZone(was.Begun, site.Zone), is.State, is.Begun})
		i := slices.IndexFunc(besideSteps, func(s besideStep) bool { return s.step == name })
		if i < 0 {
			continue
		}
		s := besideSteps[i]
		figure := func(unit, key string, f, g Figures) {
			x, hadX := f.Of(key)
			y, hasY := g.Of(key)
			put(s.step, unit, "", key, x, y, hadX, hasY)
		}
		figure("", OutdoorKey, was.Conditions, is.Conditions)
		for _, key := range s.keys {
			figure("", key, was.Figures, is.Figures)
		}
		if len(s.keys) > 0 {
			continue
		}
		for _, m := range e.Units {
			f, g := figuresOf(was, m.Earlier), figuresOf(is, m.Unit)
			for _, key := range besideUnits {
				figure(m.Unit, key, f, g)
			}
		}
	}
	return e
}

func (l Length) same(o Length) bool {
	return l.Line == o.Line && math.Abs(l.DiameterM-o.DiameterM) < 5e-5 // what is printed alike
}

func inZone(t time.Time, zone *time.Location) time.Time {
	if t.IsZero() || zone == nil {
		return t
	}
	return t.In(zone)
}

func besideOf(then, now float64, had, has bool) (x Beside, ok bool) {
	if had {
		x.Then = &then
	}
	if has {
		x.Now = &now
	}
	if had && has {
		d := rules.Num(now - then)
		x.Difference = &d
	}
	return x, had || has
}

func figuresOf(s Step, unit string) Figures {
	for _, u := range s.Units {
		if u.Unit == unit {
			return u.Figures
		}
	}
	return nil
}

// match finds the same indoor units in two visits: by the address at which they
// answer, where exactly one of each has it; the others by their name.
func match(then, now Record) (both []Matched, gone, fresh []string) {
	was, is := indoorOf(then), indoorOf(now)
	taken := make([]bool, len(was))
	found := make([]Matched, len(is))
	pair := func(i, j int, by string) {
		taken[j] = true
		found[i] = Matched{is[i].Unit, was[j].Unit, by, is[i].Room, was[j].Room, is[i].Address, was[j].Address}
	}
	at := func(all []UnitRow, address string) (i int) {
		i = -1
		for k, u := range all {
			if rules.SameAddress(u.Address, address) {
				if i >= 0 {
					return -1 // twice: no address to go by
				}
				i = k
			}
		}
		return i
	}
	for i, u := range is {
		if j := at(was, u.Address); j >= 0 && at(is, u.Address) == i {
			pair(i, j, ByAddress)
		}
	}
	for i, u := range is {
		if found[i].By != "" {
			both = append(both, found[i])
			continue
		}
		j := slices.IndexFunc(was, func(o UnitRow) bool { return o.Unit == u.Unit && u.Unit != "" })
		if j < 0 || taken[j] {
			fresh = append(fresh, unitName(u))
			continue
		}
		pair(i, j, ByName)
		both = append(both, found[i])
	}
	for j, u := range was {
		if !taken[j] {
			gone = append(gone, unitName(u))
		}
	}
	return both, gone, fresh
}

func unitName(u UnitRow) string {
	name := u.Unit
	if u.Room != "" {
		name += " (" + u.Room + ")"
	}
	return name
}

// indoorOf are a record's indoor units, with the addresses that were entered.
func indoorOf(r Record) (us []UnitRow) {
	for _, u := range r.System.Indoor {
		us = append(us, UnitRow{Unit: u.Unit, Room: u.Room})
	}
	for _, row := range r.Units {
		i := slices.IndexFunc(us, func(o UnitRow) bool { return o.Unit == row.Unit })
		switch {
		case i >= 0:
			us[i].Address = row.Address
			if row.Room != "" {
				us[i].Room = row.Room
			}
		case row.Kind == rules.KindIndoor && row.Unit != "":
			us = append(us, row)
		}
	}
	return us
}

// ReadEarlier is what earlier visits left beside a job. Where none was taken in,
// only marks are read. moving is whether a step is under way, whose figures move
// with each reading: the rest changes with marks and findings alone.
func ReadEarlier(ctx context.Context, r *journal.Reader, w Which) (all []Earlier, moving bool, err error) {
	last, err := r.Last(ctx)
	if err != nil {
		return nil, false, err
	}
	if last == 0 {
		return nil, false, ErrEmpty
	}
	marks, err := r.Told(ctx, 0)
	if err != nil || len(visitsOf(marks)) == 0 {
		return nil, false, err
	}
	rec, err := Read(ctx, r, w)
	return rec.Earlier, slices.ContainsFunc(rec.Steps, func(s Step) bool { return s.Open }), err
}

// earlier sets beside the record what earlier visits left, the newest first.
func (g *reading) earlier(ctx context.Context) error {
	jobs := rules.NewJobs(g.site)
	for _, e := range g.marks {
		b, ok := e.Body.(*rules.Told)
		if !ok || e.Seq > g.to {
			continue
		}
		m, ok := jobs.ReadEarlier(b, g.system.Name)
		if !ok || slices.ContainsFunc(g.rec.Earlier, func(o Earlier) bool { return o.Bundle == m.Sum }) {
			continue
		}
		var v Visit
		kept, err := g.r.Shelved(ctx, visitShelf, m.Sum, &v)
		if err != nil {
			return err
		}
		x := Earlier{Bundle: m.Sum, What: m.What}
		if kept {
			x = compare(v, g.rec, g.site)
		}
		x.By, x.At = m.By, g.happened(e.At, b.Own)
		g.rec.Earlier = append(g.rec.Earlier, x)
	}
	slices.SortStableFunc(g.rec.Earlier, func(a, b Earlier) int { return b.Made.Compare(a.Made) })
	return nil
}
