package rules

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"standwatch/sensors"
)

// MarkDoubtful notes marks that cannot be meant as they stand. Nothing is
// refused and nothing lost: the journal has them, and the note says what was made of them.
var MarkDoubtful = Rule{
	Name:  "mark-doubtful",
	Doc:   "Notes a step begun twice, beside another of the same pipework, or ended without a begin, a mark told while no step is under way that it means something to, or while one is that it contradicts, a step reported or accepted without its name, its system, a person or a reason, a word on an instrument that cannot be read, a step begun with checks open that nobody was asked about or in a job that is closed, a word on a job that cannot be meant, and an acknowledgement that names no flag, or one by what it is not open for.",
	Flags: []string{"mark-doubtful"},
	Roles: []string{},
	Begin: beginMarkDoubtful,
}

// PointMissing says at a step's begin that the site file has nothing to judge it by.
var PointMissing = Rule{
	Name:  "point-missing",
	Doc:   "Tells when a step begins that the site file has no point for.",
	Steps: []string{"pressure-test", "evacuation", "vacuum-hold", "draw-in", "weigh-in", "preheat", "trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run"},
	Flags: []string{"point-missing"},
	Roles: []string{"test-pressure", "vacuum-gauge", "absolute-pressure", "charging-scale", "oil-sump", "outdoor-power", "suction-pressure", "liquid-pressure", "supply-air"},
	Begin: beginPointMissing,
}

// neededRoles are those of which a step needs one at least.
func neededRoles(step string) []string {
	switch step {
	case "pressure-test":
		return []string{"test-pressure"}
	case "evacuation":
		return []string{"vacuum-gauge", "absolute-pressure"}
	case "vacuum-hold":
		return []string{"vacuum-gauge"}
	case "draw-in", "weigh-in":
		return []string{"charging-scale"}
	case "preheat":
		return []string{"oil-sump", "outdoor-power"}
	case "trial-run":
		return []string{"suction-pressure", "liquid-pressure"}
	case "cooling-check", "heating-check", "branch-check", "mixed-run":
		return []string{"supply-air"}
	}
	return nil
}

// markSteps are the steps to which a mark means something; nil: any, or none.
func markSteps(mark string) []string {
	switch mark {
	case "isolated":
		return []string{"pressure-test", "evacuation", "vacuum-hold"}
	case "nitrogen-break":
		return []string{"evacuation"}
	case "cylinder-swapped", "cylinder-weight", "scale-zeroed":
		return []string{"draw-in", "weigh-in"}
	}
	return nil
}

// againstMark are the steps that a mark contradicts: while one of them is under
// way, what it says cannot be so, or the step cannot stand.
func againstMark(mark string) []string {
	switch mark {
	case "pump-started":
		return []string{"vacuum-hold"}
	case "valves-opened":
		return []string{"pressure-test", "evacuation", "vacuum-hold"}
	}
	return nil
}

// onePipework are the steps of which one pipework is in one at a time: under
// nitrogen, at the pump, valved off, filling, or filling with the compressor running.
var onePipework = []string{"pressure-test", "evacuation", "vacuum-hold", "draw-in", "weigh-in"}

// besides names what is under way on the pipework on which a step is begun.
func (j *markDoubtful) besides(b *Told) (names []string) {
	for _, s := range j.running {
		if s.System == b.System && s.Name != b.Name && slices.Contains(onePipework, s.Name) && slices.Contains(onePipework, b.Name) {
			names = append(names, strings.ToLower(stepWord(s.Name)))
		}
	}
	return names
}

// CutStep takes the step that a mark's note begins with (of reported and
// accepted), and the system where the note names it: south/vacuum-hold by ...
func CutStep(note string) (system, step, rest string, ok bool) {
	first, rest, _ := strings.Cut(strings.TrimSpace(note), " ")
	first = strings.TrimRight(first, ":,;")
	if i := strings.LastIndexByte(first, '/'); i >= 0 {
		system, first = first[:i], first[i+1:]
	}
	return system, first, strings.TrimSpace(rest), knownStep(first)
}

// CutBy takes the name off what somebody said: "by Ines: owner agrees".
func CutBy(said string) (by, text string) {
	if rest, ok := strings.CutPrefix(said, "by "); ok {
		if name, text, ok := strings.Cut(rest, ": "); ok {
			return name, text
		}
	}
	return "", said
}

// Answers reports whether a mark reported or accepted says for which step
// somebody answers, and who or why: without, nobody has taken anything on. A
// result that is not passed is accepted by a name and a reason, both.
func Answers(b *Told) bool {
	_, _, rest, ok := CutStep(b.Note)
	by, text := CutBy(rest)
	if b.Name == "accepted" {
		if said, named := strings.CutPrefix(text, "by "); by == "" && named { // by Ines, the owner agrees
			by, text, _ = strings.Cut(said, ",")
		}
		text = strings.TrimSpace(text)
		return ok && (strings.TrimSpace(by) != "" || b.By != "") && text != "" && !strings.HasSuffix(text, ":")
	}
	return ok && text != "" && !strings.HasSuffix(text, ":") || ok && b.By != ""
}

// answerDoubt says what such a mark lacks; empty: nothing.
func (j *markDoubtful) answerDoubt(b *Told) string {
	if b.Name != "reported" && b.Name != "accepted" {
		return ""
	}
	system, _, _, ok := CutStep(b.Note)
	switch {
	case !ok:
		return answerOfNothing(b.Name, b.Note)
	case !Answers(b):
		return answerOfNobody(b.Name, b.Note)
	case j.jobs != nil && !j.jobs.has(cmp.Or(system, b.System)):
		return answerOfNoSystem(b.Name, b.Note, j.jobs.systems)
	}
	return ""
}

type markDoubtful struct {
	system  string
	running []Step
	checks  *CheckList // nil: of no system
	said    *Calibrations
	jobs    *Jobs
	open    func(flag, system string) (subjects []string)
	up      []doubted
	now     time.Duration
	weighed bool // a draw-in or weigh-in has ended: its ledger still listens
	shared  bool // the charging scale is carried from one system to the next; of the box's own judge
}

// doubted is what a note that is up is about, and when it was said.
type doubted struct {
	subject string
	at      time.Duration
}

// readWithin is how long a note stays up at the least: who begins the next step
// at once has read nothing yet (our choice).
const readWithin = 10 * time.Minute

// read clears what was said up to a moment.
func (j *markDoubtful) read(until time.Duration) (out []Finding) {
	j.up = slices.DeleteFunc(slices.Clone(j.up), func(d doubted) bool {
		if d.at > until {
			return false
		}
		out = append(out, Finding{Edge: Cleared, Flag: "mark-doubtful", Subject: d.subject, Text: markStands(d.subject)})
		return true
	})
	return out
}

func beginMarkDoubtful(s Start) Judge {
	j := &markDoubtful{system: s.System, running: s.Running, checks: s.Checks, said: s.Said, jobs: s.Jobs, open: s.OpenFor}
	j.shared = s.System == "" && s.OneScale
	for _, f := range s.Open {
		j.up = append(j.up, doubted{f.Subject, s.Entry.At.Since - readWithin})
	}
	return j
}

// Next takes what is said anew of the same matter in the place of what was said.
func (j *markDoubtful) Next(e Entry) (out []Finding) {
	up := j.up
	for _, f := range j.look(e) {
		if f.Edge == Raised && slices.ContainsFunc(up, func(d doubted) bool { return d.subject == f.Subject }) {
			out = append(out, Finding{Edge: Cleared, Flag: "mark-doubtful", Subject: f.Subject, Text: markStands(f.Subject)})
		}
		out = append(out, f)
	}
	return out
}

func (j *markDoubtful) look(e Entry) (out []Finding) {
	b, ok := e.Body.(*Told)
	if !ok {
		return nil
	}
	j.now = e.At.Since
	switch b.Kind {
	case "begin", "end":
		under := slices.ContainsFunc(j.running, func(s Step) bool { return s.Name == b.Name && s.System == b.System })
		besides := j.besides(b)
		if b.Kind == "begin" && !under {
			j.running = append(slices.Clone(j.running), Step{System: b.System, Name: b.Name})
		} else if b.Kind == "end" {
			j.weighed = j.weighed || under && isWeighing(b.Name)
			j.running = slices.DeleteFunc(slices.Clone(j.running), func(s Step) bool { return s.Name == b.Name && s.System == b.System })
		}
		out = j.read(j.now - readWithin)      // whoever went on has seen it, or need not
		if j.system == "" && b.System != "" { // of a system that has a judge of its own
			if other := j.beside(b); other != nil {
				out = append(out, j.doubt(b.System+"/"+b.Name, weighsForTwo(b.System, b.Name, *other)))
			}
			return out
		}
		if subject, text := j.jobs.doubted(j.system, e.Seq); text != "" {
			out = append(out, j.doubt(subject, text))
		}
		switch {
		case b.Kind == "begin" && under:
			return append(out, j.doubt(b.Name, begunTwice(b.Name)))
		case b.Kind == "end" && !under:
			return append(out, j.doubt(b.Name, endedUnbegun(b.Name)))
		case b.Kind == "begin" && len(besides) > 0:
			out = append(out, j.doubt(b.Name, begunBeside(b.Name, besides)))
		}
		if b.Kind == "begin" && j.checks != nil && j.checks.inUse {
			if open := j.checks.Open(b.Name); len(open) > 0 { // a page has asked, and its answer stands before the begin
				return append(out, j.doubt("checks", begunWithOpen(b.Name, open)))
			}
		}
	case "mark":
		if check := j.unclear(b); check != "" {
			return []Finding{j.doubt(check, tickUnclear(check))}
		}
		if check := j.unlisted(b); check != "" {
			return []Finding{j.doubt(check, tickUnlisted(check))}
		}
		if b.Name == "acknowledged" && b.System == j.system {
			return j.acknowledged(b)
		}
		if m, ok := j.said.unclear(b); ok && b.System == j.system {
			return []Finding{j.doubt(strings.TrimSpace(b.Name+" "+m.Point), calibrationUnclear(m, b.Name))}
		}
		if text := j.answerDoubt(b); text != "" && b.System == j.system {
			return []Finding{j.doubt(b.Name, text)}
		}
		if out := j.ofJob(e, b); out != nil {
			return out
		}
		against := againstMark(b.Name)
		if i := slices.IndexFunc(j.running, func(s Step) bool { return s.System == b.System && slices.Contains(against, s.Name) }); i >= 0 && b.System == j.system {
			return []Finding{j.doubt(b.Name, markAgainst(b.Name, j.running[i].Name))}
		}
		steps := markSteps(b.Name)
		if steps != nil && b.System == j.system && !(j.weighed && slices.ContainsFunc(steps, isWeighing)) && !slices.ContainsFunc(j.running, func(s Step) bool { return slices.Contains(steps, s.Name) }) {
			return []Finding{j.doubt(b.Name, markStray(b.Name, steps))}
		}
	}
	return out
}

// acknowledged looks whether a mark took on what it names: else calls go on, and
// nobody knows. A flag that is not open by now is a person's second look.
func (j *markDoubtful) acknowledged(b *Told) []Finding {
	flag, subject, _ := strings.Cut(strings.TrimSpace(b.Note), " ")
	if !knownFlag(flag) {
		return []Finding{j.doubt(b.Name, acknowledgedNothing(flag))}
	}
	if up := j.open(flag, b.System); subject != "" && len(up) > 0 && !slices.Contains(up, subject) {
		return []Finding{j.doubt(b.Name, acknowledgedOther(flag, subject, up))}
	}
	return nil
}

// NothingKept is the one flag that no rule raises: what rules go by is not kept meanwhile.
const NothingKept = "nothing-kept"

func knownFlag(name string) bool {
	return name == NothingKept || slices.ContainsFunc(All(), func(r Rule) bool { return slices.Contains(r.Flags, name) })
}

// beside is the draw-in or weigh-in under way of another system by the one scale
// where one begins: what flows would count in both.
func (j *markDoubtful) beside(b *Told) *Step {
	if !j.shared || b.Kind != "begin" || !isWeighing(b.Name) {
		return nil
	}
	for i, s := range j.running {
		if isWeighing(s.Name) && s.System != b.System {
			return &j.running[i]
		}
	}
	return nil
}

// ofJob is what a mark leaves in doubt of the system's jobs.
func (j *markDoubtful) ofJob(e Entry, b *Told) (out []Finding) {
	if subject, text := j.jobs.doubted(j.system, e.Seq); text != "" {
		return []Finding{j.doubt(subject, text)}
	}
	if j.system == "" && len(j.jobs.Of("")) == 0 || !j.jobs.ended(j.system, e.Seq) {
		return nil
	}
	var under []string
	for _, s := range j.running {
		if s.System == j.system {
			under = append(under, stepWord(s.Name))
		}
	}
	if len(under) == 0 {
		return nil
	}
	return []Finding{j.doubt("job", jobStepsRunning(jobDone(b.Name), strings.Join(under, ", ")))}
}

// unclear is the check that a checked mark names without saying how it is.
func (j *markDoubtful) unclear(b *Told) string {
	if j.checks == nil {
		return ""
	}
	if t, ok := j.checks.read(b); !ok {
		return t.Check
	}
	return ""
}

// unlisted is the check that a checked mark ticks and that is not on the list:
// misspelt, or taken off. Other notes are somebody's own words.
func (j *markDoubtful) unlisted(b *Told) string {
	if j.checks == nil || b.Kind != "mark" || b.Name != "checked" || !strings.Contains(strings.TrimSpace(b.Note), " ") {
		return ""
	}
	t, ok := ReadTick(b.Note, func(string) bool { return true })
	if !ok || j.checks.index(t.Check) >= 0 || cmp.Or(t.System, b.System) != j.system {
		return ""
	}
	return t.Check
}

func (j *markDoubtful) doubt(subject, text string) Finding {
	j.up = append(slices.DeleteFunc(slices.Clone(j.up), func(d doubted) bool { return d.subject == subject }), doubted{subject, j.now})
	return Finding{Edge: Raised, Flag: "mark-doubtful", Subject: subject, Urgency: Note, Text: text}
}

func (j *markDoubtful) Due() (time.Duration, bool) { return 0, false }

type pointMissing struct {
	step   string
	began  time.Duration
	looked bool
}

func beginPointMissing(s Start) Judge {
	needs := neededRoles(s.Step.Name)
	has := slices.ContainsFunc(s.Points, func(p sensors.Point) bool { return slices.Contains(needs, p.Role) })
	for _, u := range s.Units { // a unit's own point stands for its role
		has = has || u.Supply != "" && slices.Contains(needs, "supply-air")
	}
	return &pointMissing{s.Step.Name, s.Entry.At.Since, has}
}

func (j *pointMissing) Next(Entry) []Finding {
	if j.looked {
		return nil
	}
	j.looked = true
	return []Finding{{Edge: Raised, Flag: "point-missing", Urgency: Tell, Text: noPointFor(j.step, neededRoles(j.step))}}
}

func (j *pointMissing) Due() (time.Duration, bool) { return j.began, !j.looked }
