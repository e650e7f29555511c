package record

import (
	"fmt"
	"slices"
	"strings"

	"standwatch/rules"
)

// Standing is how a job stands, as far as what is open of it hangs on that. The
// record has it from the journal and the page from the box: both ask OpenPoints.
type Standing struct {
	Site     rules.Site
	System   rules.System
	Steps    []StepStanding     // of the job, in the order begun
	Reported []string           // steps that somebody reported done
	Checks   []rules.CheckState // of the system
	Flags    []rules.Flag       // open, of the system and of the box, in the order raised
}

// StepStanding is how a step stands.
type StepStanding struct{ Step, State string }

// Open is one thing that is not settled.
type Open struct {
	What string `json:"what"` // step, check, flag
	Name string `json:"name"`
	Text string `json:"text"`

	why string // what is said of it: the end of its words' key
	of  string // whom or what that is said of
}

// Why something is open.
const (
	openNever     = "never"   // a step not begun
	openRunning   = "running" // a step under way
	openLeft      = "left"    // a step that was running when the job was closed
	openEnded     = "ended"   // a step without a verdict
	openResult    = "result"  // a step that did not pass
	openUnchecked = "checks"
	openFlag      = "flag"
	openSilent    = "silent" // an instrument that no step under way reads
)

// OpenPoints lists what is not settled of a job: its steps in the order of the
// start-up, then flags that ask for somebody, then checks.
func OpenPoints(s Standing) (open []Open) {
	for _, name := range rules.StepNames() {
		if !s.System.HeatRecovery && (name == "branch-check" || name == "mixed-run") {
			continue
		}
		state := openNever
		for _, x := range s.Steps { // the newest of its name stands
			if x.Step == name {
				state = x.State
			}
		}
		o := Open{What: "step", Name: name, of: name}
		switch state {
		case openNever:
			if name == "hand-over" || slices.Contains(s.Reported, name) || name == "take-off" && len(s.System.Runs) > 0 { // for which the site file's lines stand
				continue
			}
			o.why = openNever
		case openState:
			o.why = openRunning
		case leftState:
			o.why = openLeft
		case rules.NotPassed, rules.NotProven:
			o.why, o.of = openResult, state
		case endedState:
			if name == "hand-over" {
				continue
			}
			o.why = openEnded
		default:
			continue
		}
		open = append(open, o)
	}
	for _, f := range s.Flags {
		if f.Urgency == rules.Note {
			continue
		}
		o := Open{What: "flag", Name: f.Flag, why: openFlag, of: f.Text}
		if f.Flag == rules.PointSilent.Name && !slices.ContainsFunc(s.Steps, func(x StepStanding) bool {
			return (x.State == openState || x.State == leftState) && s.Site.Reads(x.Step, f.Subject)
		}) {
			o.why, o.of = openSilent, f.Subject
		}
		open = append(open, o)
	}
	for _, c := range s.Checks {
		if !c.Settled() {
			open = append(open, Open{What: "check", Name: c.Name, why: openUnchecked, of: c.Name})
		}
	}
	for i, o := range open {
		line := OpenLine{What: o.What, Name: o.Name, why: o.why, of: []string{o.of}}
		open[i].Text = line.Text(inEnglish)
	}
	return open
}

// OpenLine is an open point, or several alike, as a page or a paper says it.
type OpenLine struct {
	What string // step, check, flag
	Name string // of the one; empty: of several

	why string
	of  []string
}

// OpenLines are open points as they are read: what was not done is one line,
// and so are the checks, and the silence of instruments that nothing needs.
func OpenLines(points []Open) (lines []OpenLine) {
	for _, o := range points {
		gathered := o.why == openNever || o.why == openUnchecked || o.why == openSilent
		i := slices.IndexFunc(lines, func(l OpenLine) bool { return l.why == o.why })
		switch {
		case !gathered:
			lines = append(lines, OpenLine{o.What, o.Name, o.why, []string{o.of}})
		case i >= 0:
			lines[i].of = append(lines[i].of, o.of)
		default:
			lines = append(lines, OpenLine{What: o.What, why: o.why, of: []string{o.of}})
		}
	}
	return lines
}

// Words say things in a language.
type Words struct {
	Say   func(key string, args ...any) string
	Count func(key string, n int, args ...any) string // by how many
	Name  func(kind, name string) string              // of a step, a result, a check
}

// Text says it. Its words stand with the labels, under "open.".
func (l OpenLine) Text(w Words) string {
	switch l.why {
	case openNever:
		var steps []string
		for _, name := range l.of {
			steps = append(steps, w.Name("step", name))
		}
		return w.Say("open.never", strings.Join(steps, ", "))
	case openResult:
		return w.Say("open.result", w.Name("step", l.Name), w.Name("result", l.of[0]))
	case openFlag:
		return w.Say("open.flag", l.of[0])
	case openSilent:
		return w.Count("open.silent", len(l.of), strings.Join(l.of, ", "))
	case openUnchecked:
		if l.Name != "" {
			return w.Say("open.check", w.Name("check", l.Name))
		}
		return w.Count("open.checks", len(l.of))
	}
	return w.Say("open."+l.why, w.Name("step", l.Name))
}

// inEnglish are the paper's.
var inEnglish = Words{
	Say: func(key string, args ...any) string { return fmt.Sprintf(labels[key], args...) },
	Count: func(key string, n int, args ...any) string {
		form := ".other"
		if n == 1 {
			form = ".one"
		}
		return fmt.Sprintf(labels[key+form], append([]any{n}, args...)...)
	},
	Name: func(kind, name string) string {
		switch kind {
		case "step":
			return titled(stepWord(name))
		case "result":
			return outcome(name)
		}
		return name
	},
}

// StateOf is how a step stands by its newest verdicts, one of it or of each
// unit: the worst of them stands, unless a person has taken it on. text is what
// is said of it, and cause why.
func StateOf(verdicts []Verdict, running, accepted bool) (state, text, cause string) {
	state, text = endedState, endedWithout
	if running {
		state, text = openState, stillOpen
	}
	for _, result := range []string{rules.Passed, rules.NotProven, rules.NotPassed} {
		for _, v := range verdicts {
			if v.Result == result {
				state, text, cause = result, v.Text, v.Cause
			}
		}
	}
	if n := len(verdicts); n > 1 || n == 1 && verdicts[0].Unit != "" {
		text = unitsJudged(verdicts)
	}
	for _, v := range verdicts {
		if v.Unit == "" && len(verdicts) > 1 {
			text = v.Text
		}
	}
	if accepted && !running && state != rules.Passed {
		state = acceptedState
	}
	return state, text, cause
}
