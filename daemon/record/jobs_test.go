package record_test

import (
	"bytes"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/fieldlog/fieldlogtest"
	"standwatch/daemon/record"
	"standwatch/rules"
)

var jobLogs = flag.Int("joblogs", 12, "so many field logs with jobs in random order")

const twoSystems = `site: {name: Quayside Library, timezone: Europe/Lisbon}
systems:
  - {name: north, refrigerant: R-410A, outdoor_units: [{name: ou-north, factory_charge: 9.3 kg}]}
  - {name: south, refrigerant: R-410A, outdoor_units: [{name: ou-south, factory_charge: 9.3 kg}]}
points:
  - {name: gauge-north, measures: vacuum, role: vacuum-gauge, unit: Pa, system: north, every: 1min}
  - {name: gauge-south, measures: vacuum, role: vacuum-gauge, unit: Pa, system: south, every: 1min}
`

// span is a job as the test follows it, by the words of rules/jobs.go: from its
// first entry to its last; 0 goes on.
type span struct {
	from, to    int
	open, named bool
	begun       bool // a step was
}

// stint is a step as the log has it: entries of its begin and its end; 0: none.
type stint struct {
	system, step string
	begin, end   int
}

// jobLog is a field log with what it is about, kept by hand beside it.
type jobLog struct {
	text   strings.Builder
	entry  int // of the row that is written next; a replay puts two before the first
	jobs   map[string][]span
	stints []stint
	notes  map[string]int // by text
}

// aJobLog invents one: steps, marks of jobs, notes and readings of two systems,
// in any order, some known late and with a clock of their own.
func aJobLog(r *rand.Rand) *jobLog {
	l := &jobLog{entry: 3, jobs: map[string][]span{"north": {{from: 1, open: true}}, "south": {{from: 1, open: true}}}, notes: map[string]int{}}
	l.text.WriteString("time,kind,name,value,unit,note,known\n")
	steps := []string{"vacuum-hold", "evacuation", "pressure-test", "draw-in", "hand-over"}
	at := time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC)
	row := func(kind, name, value, note string) {
		const stamp = "2006-01-02T15:04:05.000Z"
		own := at
		if kind != "reading" && r.IntN(5) == 0 { // told by a phone, of before, or by a clock that is off
			own = at.Add(-time.Duration(r.IntN(7200)) * time.Second)
		}
		fmt.Fprintf(&l.text, "%s,%s,%s,%s,,%s,%s\n", own.Format(stamp), kind, name, value, note, at.Format(stamp))
		l.entry++
	}
	for n := range 120 {
		at = at.Add(time.Duration(1+r.IntN(900)) * time.Second)
		system := []string{"north", "south"}[r.IntN(2)]
		switch k := r.IntN(20); {
		case k < 5:
			row("reading", "gauge-"+system, fmt.Sprintf("%.1f", 30+3*r.Float64()), "")
		case k < 9:
			step := steps[r.IntN(len(steps))]
			l.bound(system, step, true)
			row("begin", system+"/"+step, "", "")
		case k < 12:
			step := steps[r.IntN(len(steps))]
			l.bound(system, step, false)
			row("end", system+"/"+step, "", "")
		case k < 15:
			text := fmt.Sprintf("note %d", n)
			l.notes[text] = l.entry
			row("mark", "note", "", text)
		default:
			mark := []string{rules.MarkJobBegun, rules.MarkJobClosed, rules.MarkJobClosed, rules.MarkJobReopened, rules.MarkJobArchived}[r.IntN(5)]
			note := system + ": word " + fmt.Sprint(n)
			number := 0
			if mark != rules.MarkJobBegun && r.IntN(4) == 0 {
				number = 1 + r.IntN(3)
				note = fmt.Sprintf("%s: job %d: word %d", system, number, n)
			}
			l.said(system, mark, number)
			row("mark", mark, "", note)
		}
	}
	return l
}

// bound begins or ends a step: either ends the one of its name that runs.
func (l *jobLog) bound(system, step string, begins bool) {
	for i := range l.stints {
		if s := &l.stints[i]; s.system == system && s.step == step && s.end == 0 {
			s.end = l.entry
		}
	}
	if !begins {
		return
	}
	l.stints = append(l.stints, stint{system, step, l.entry, 0})
	j := &l.jobs[system][len(l.jobs[system])-1]
	if j.begun = true; !j.open { // kept in the closed job, for want of another
		j.to = 0
	}
}

func (l *jobLog) said(system, mark string, number int) {
	all := l.jobs[system]
	if number > len(all) {
		return
	}
	if number == 0 {
		number = len(all)
	}
	j := &all[number-1]
	switch {
	case mark == rules.MarkJobBegun && j.open && !j.begun && !j.named:
		j.named = true
	case mark == rules.MarkJobBegun:
		if j.open = false; j.to == 0 {
			j.to = l.entry - 1
		}
		l.jobs[system] = append(all, span{from: l.entry, open: true, named: true})
	case mark == rules.MarkJobReopened:
		if number == len(all) && !j.open {
			j.open, j.to = true, 0
		}
	default: // closed, archived
		if j.open = false; j.to == 0 {
			j.to = l.entry
		}
	}
}

// Whatever the order of what is said of jobs: each step stands in one record,
// with its end or as left running; each mark told stands once for each system;
// each flag stands once in each record in whose time it was up; and no verdict
// is lost. A field log exported and replayed gives the same records.
func TestEachStepFlagAndMarkStandsWhereItShould(t *testing.T) {
	dir := t.TempDir()
	site := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(site, []byte(twoSystems), 0o666); err != nil {
		t.Fatal(err)
	}
	left, later := 0, 0
	for seed := range *jobLogs {
		l := aJobLog(rand.New(rand.NewPCG(uint64(seed), 7)))
		log := filepath.Join(dir, fmt.Sprintf("%d.csv", seed))
		if err := os.WriteFile(log, []byte(l.text.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		j, found := replayed(t, site, log)
		again := filepath.Join(dir, fmt.Sprintf("%d-again.csv", seed))
		if err := os.WriteFile(again, fieldlogtest.Of(t, j), 0o666); err != nil {
			t.Fatal(err)
		}
		j2, _ := replayed(t, site, again)
		for system, jobs := range l.jobs {
			seen := map[string]int{} // notes
			for i, job := range jobs {
				name := fmt.Sprintf("log %d, %s, job %d", seed, system, i+1)
				r := read(t, j, record.Which{System: system, Job: i + 1})
				if r.Job.Of != len(jobs) || (r.Job.State == rules.JobOpen) != job.open {
					t.Errorf("%s: %d jobs, %s; want %d, open %t", name, r.Job.Of, r.Job.State, len(jobs), job.open)
				}
				next := 0
				if i+1 < len(jobs) {
					next = jobs[i+1].from
				}
				left += l.checkSteps(t, name, system, job, r, found)
				later += len(r.Later)
				l.checkNotes(t, name, job, next, r, seen)
				checkFlags(t, name, system, job, r, found)
				var b, b2 bytes.Buffer
				if err := record.JSON(&b, r); err != nil {
					t.Fatal(err)
				}
				if err := record.JSON(&b2, read(t, j2, record.Which{System: system, Job: i + 1})); err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(b.Bytes(), b2.Bytes()) {
					t.Errorf("%s: exported and replayed it is another record", name)
				}
				if text := plainText(record.Lay(r)); strings.Contains(text, "%!") {
					t.Errorf("%s: a sentence was filled in wrongly:\n%s", name, text)
				}
			}
			for text := range l.notes {
				if seen[text] != 1 {
					t.Errorf("log %d, %s: %q stands in %d records", seed, system, text, seen[text])
				}
			}
		}
		if t.Failed() {
			t.Fatalf("log %d:\n%s", seed, l.text.String())
		}
	}
	if left == 0 || later == 0 {
		t.Errorf("%d steps were left running, %d marks were told later: nothing was tried", left, later)
	}
}

func (l *jobLog) checkSteps(t *testing.T, name, system string, job span, r record.Record, found []rules.Finding) (left int) {
	t.Helper()
	var want []stint
	for _, s := range l.stints {
		if s.system == system && s.begin >= job.from && (job.to == 0 || s.begin <= job.to) {
			want = append(want, s)
		}
	}
	if len(r.Steps) != len(want) {
		t.Errorf("%s: %d steps, want %v", name, len(r.Steps), want)
		return 0
	}
	newest := map[string]bool{} // left running, of the newest of a name
	for i, s := range r.Steps {
		w := want[i]
		if s.Step != w.step || s.Seq != uint64(w.begin) {
			t.Errorf("%s: step %s at %d, want %v", name, s.Step, s.Seq, w)
		}
		ended := w.end != 0 && (job.to == 0 || w.end <= job.to)
		newest[s.Step] = !ended && job.to != 0
		switch {
		case ended != !s.Open:
			t.Errorf("%s: %v open %t", name, w, s.Open)
		case ended && (s.After != nil || s.State == "left-running"):
			t.Errorf("%s: %v ended in the job, and is %s", name, w, s.State)
		case !ended && job.to != 0:
			left++
			if s.State != "left-running" || s.After == nil || s.After.Ended.IsZero() != (w.end == 0) {
				t.Errorf("%s: %v was left running, and is %s, after %v", name, w, s.State, s.After)
			}
		}
		last := map[bool]string{} // before the close and after it
		for _, f := range found {
			if f.Edge == rules.Given && f.Begin == s.Seq {
				last[job.to != 0 && f.Seq > uint64(job.to)] = f.Text
			}
		}
		said := ""
		for _, v := range s.Verdicts {
			said = v.Text
		}
		if said != last[false] {
			t.Errorf("%s: %v has the verdict %q, given was %q", name, w, said, last[false])
		}
		if said = ""; s.After != nil {
			for _, v := range s.After.Verdicts {
				said = v.Text
			}
		}
		if said != last[true] {
			t.Errorf("%s: %v has the verdict %q after the close, given was %q", name, w, said, last[true])
		}
	}
	for step, running := range newest {
		if running != slices.ContainsFunc(r.Outstanding, func(o record.Open) bool {
			return o.What == "step" && o.Name == step && strings.Contains(o.Text, "was still running when the job was closed")
		}) {
			t.Errorf("%s: %s left running %t, open points %v", name, step, running, r.Outstanding)
		}
	}
	return left
}

func (l *jobLog) checkNotes(t *testing.T, name string, job span, next int, r record.Record, seen map[string]int) {
	t.Helper()
	for _, n := range r.Notes {
		if n.Mark != "note" {
			continue
		}
		seen[n.Note]++
		if at := l.notes[n.Note]; at < job.from || job.to != 0 && at > job.to {
			t.Errorf("%s: %q of entry %d is none of it (%v)", name, n.Note, at, job)
		}
	}
	for _, n := range r.Later {
		seen[n.Note]++
		if at := l.notes[n.Note]; job.to == 0 || at <= job.to || next != 0 && at >= next {
			t.Errorf("%s: %q of entry %d was not told later (%v, next %d)", name, n.Note, at, job, next)
		}
	}
}

// checkFlags goes through what the engine raised and cleared.
func checkFlags(t *testing.T, name, system string, job span, r record.Record, found []rules.Finding) {
	t.Helper()
	type raised struct {
		rules.Finding
		cleared uint64
	}
	var all []*raised
	for _, f := range found {
		if f.Edge == rules.Given || f.System != "" && f.System != system {
			continue
		}
		var up *raised
		for _, x := range all {
			if x.cleared == 0 && x.Flag == f.Flag && x.System == f.System && x.Subject == f.Subject && x.Begin == f.Begin {
				up = x
			}
		}
		switch {
		case f.Edge == rules.Cleared && up != nil:
			up.cleared = f.Seq
		case f.Edge == rules.Raised && up == nil:
			all = append(all, &raised{Finding: f})
		}
	}
	in := func(seq uint64) bool { return seq >= uint64(job.from) && (job.to == 0 || seq <= uint64(job.to)) }
	var want, got []string
	for _, x := range all {
		open := x.cleared == 0 || job.to != 0 && x.cleared > uint64(job.to) && x.Seq <= uint64(job.to)
		mine := in(x.Begin)
		if x.Begin == 0 {
			mine = (job.to == 0 || x.Seq <= uint64(job.to)) && (x.cleared == 0 || x.cleared >= uint64(job.from))
		}
		if mine {
			want = append(want, fmt.Sprintf("%s %s open %t", x.Flag, x.Subject, open))
		}
	}
	for _, f := range r.Flags {
		got = append(got, fmt.Sprintf("%s %s open %t", f.Flag, f.Subject, f.Open))
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s: flags\n%s\nwant\n%s", name, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
