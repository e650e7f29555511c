// Package trial invents stretches of a job with a known truth, so that what
// the judges say can be counted as right or wrong.
//
// A trial is made from a seed: what an instrument would have shown, what the
// technician would have told the box, and what was true all the while. It is
// written as a field log, a site file and, where pipework matters, a take-off.
//
// Nothing here knows the rules. The package imports nothing else of ours, and
// its physics is written apart from rules/physics on purpose: water freezes,
// hoses outgas, gauges drift and people forget, whether or not a judge has a
// model for it. A trial is never bent towards what a judge can see.
//
// All data are invented. Where a range of values has a source it is named
// beside it; "common practice" and "from memory" are sources too.
package trial

import (
	"encoding/csv"
	"encoding/json"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// Trial is one invented stretch of a job: what the box would have been given,
// and what was true.
type Trial struct {
	Scenario string
	Seed     uint64
	Site     string // the site file (YAML); it names the take-off TakeOffName
	TakeOff  string // the take-off (CSV), or nothing
	Rows     []Row  // in the order in which the box knew them
	Truth    []Fact
}

// TakeOffName is how a trial's site file names its take-off.
const TakeOffName = "takeoff.csv"

// Row is one row of the field log. Known is zero where the box knew it at once.
type Row struct {
	Time, Known                   time.Time
	Kind, Name, Value, Unit, Note string
}

// Fact is one thing that was true: a number whose name ends in its SI unit, or
// a word.
type Fact struct {
	Name   string
	Number float64
	Word   string
}

// Scenario is a kind of trial. Make draws everything from r, so the same seed
// gives the same bytes on one kind of machine; draw.go says what keeps others
// close to it.
type Scenario struct {
	Name, Doc string
	Make      func(r *rand.Rand) Trial
}

// Scenarios lists what can be made.
func Scenarios() []Scenario {
	return []Scenario{
		{Name: "pulldown", Doc: pulldownDoc, Make: makePulldown},
		{Name: "vacuum-hold", Doc: vacuumHoldDoc, Make: makeHold},
		{Name: "pressure-test", Doc: pressureDoc, Make: makePressureTest},
		{Name: "weigh-in", Doc: weighInDoc, Make: makeWeighIn},
		{Name: "preheat", Doc: preheatDoc, Make: makePreheat},
		{Name: "trial-run", Doc: trialRunDoc, Make: makeTrialRun},
		{Name: "branch-check", Doc: branchCheckDoc, Make: makeBranchCheck},
		{Name: "cooling-check", Doc: coolingCheckDoc, Make: makeCoolingCheck},
		{Name: "heating-check", Doc: heatingCheckDoc, Make: makeHeatingCheck},
	}
}

// Of makes the scenario's trial of a seed.
func (s Scenario) Of(seed uint64) Trial {
	h := fnv.New64a()
	h.Write([]byte(s.Name)) // never fails
	t := s.Make(rand.New(rand.NewPCG(seed, h.Sum64())))
	t.Scenario, t.Seed = s.Name, seed
	return t
}

// Number is a fact's number; ok is false where the trial does not say.
func (t Trial) Number(name string) (v float64, ok bool) {
	i := slices.IndexFunc(t.Truth, func(f Fact) bool { return f.Name == name && f.Word == "" })
	if i < 0 {
		return 0, false
	}
	return t.Truth[i].Number, true
}

// Word is a fact's word, or nothing.
func (t Trial) Word(name string) string {
	i := slices.IndexFunc(t.Truth, func(f Fact) bool { return f.Name == name })
	if i < 0 {
		return ""
	}
	return t.Truth[i].Word
}

// SiteWith is the site file with its take-off under another name.
func (t Trial) SiteWith(takeOff string) string {
	return strings.Replace(t.Site, "takeoff: "+TakeOffName, "takeoff: "+takeOff, 1)
}

// sorted orders rows as the box knew them. Rows of one moment keep their order.
func sorted(rows []Row) []Row {
	known := func(r Row) time.Time {
		if r.Known.IsZero() {
			return r.Time
		}
		return r.Known
	}
	slices.SortStableFunc(rows, func(a, b Row) int { return known(a).Compare(known(b)) })
	return rows
}

// WriteLog writes the field log.
func (t Trial) WriteLog(w io.Writer) error {
	head := []string{"time", "kind", "name", "value", "unit", "note"}
	late := slices.ContainsFunc(t.Rows, func(r Row) bool { return !r.Known.IsZero() })
	if late {
		head = append(head, "known")
	}
	out := csv.NewWriter(w)
	if err := out.Write(head); err != nil {
		return err
	}
	for _, r := range t.Rows {
		fields := []string{stamp(r.Time), r.Kind, r.Name, r.Value, r.Unit, r.Note}
		if late {
			fields = append(fields, stamp(r.Known))
		}
		if err := out.Write(fields); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}

// WriteTruth writes what was true, as JSON, in the order of the facts.
func (t Trial) WriteTruth(w io.Writer) error {
	type fact struct {
		Name   string   `json:"name"`
		Number *float64 `json:"number,omitempty"`
		Word   string   `json:"word,omitempty"`
	}
	whole := struct {
		Scenario string `json:"scenario"`
		Seed     uint64 `json:"seed"`
		Truth    []fact `json:"truth"`
	}{t.Scenario, t.Seed, []fact{}}
	for _, f := range t.Truth {
		out := fact{Name: f.Name, Word: f.Word}
		if f.Word == "" {
			out.Number = &f.Number
		}
		whole.Truth = append(whole.Truth, out)
	}
	b, err := json.MarshalIndent(whole, "", "  ")
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}
