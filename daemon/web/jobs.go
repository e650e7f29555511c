package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"standwatch/rules"
)

// newest is a system's newest job: the one that its steps belong to now.
func (s Snapshot) newest(system string) Job {
	if list := s.Jobs[system]; len(list) > 0 {
		return list[len(list)-1]
	}
	return Job{Job: rules.Job{System: system, Number: 1, Name: rules.FirstJob, From: 1, State: rules.JobOpen}}
}

// ofNewest reports whether a step was begun in its system's newest job.
func (s Snapshot) ofNewest(st Step) bool { return st.Begin >= s.newest(st.System).From }

// working are the systems whose newest job is open.
func (s Snapshot) working() (systems []rules.System) {
	for _, sys := range s.Site.Systems {
		if s.newest(sys.Name).State == rules.JobOpen {
			systems = append(systems, sys)
		}
	}
	return systems
}

// steps are those of a job, in the order of the start-up; each as it was begun last there.
func (s *screens) stepsOf(snap Snapshot, job Job) (rows []stepRow) {
	for _, name := range s.order {
		for _, st := range snap.newestFirst() {
			if st.Name == name && st.System == job.System && job.holds(st) {
				rows = append(rows, s.rowOf(snap, st))
				break
			}
		}
	}
	return rows
}

func (j Job) holds(st Step) bool { return st.Begin >= j.From && (j.To == 0 || st.Begin <= j.To) }

func (s *screens) jobTitle(j Job) string {
	if j.Job.Begun.Mark == "" { // nobody named it
		return s.words.say("job.title-plain", j.Number)
	}
	return s.words.say("job.title", j.Number, j.Name)
}

// shutJob says that a system's newest job is not open; nothing where it is.
func (s *screens) shutJob(snap Snapshot, system string) string {
	job := snap.newest(system)
	if job.State == rules.JobOpen {
		return ""
	}
	return s.words.say("job.shut", s.jobTitle(job), s.words.say("job.state."+job.State))
}

// jobView is the form of one word on a job: it asks once, and says what will be recorded.
type jobView struct {
	System, Do, Title, Sentence string
	Number                      int
	Warn                        []string
	Open                        []linkRow // what is open as it is closed
	Ask                         string    // what the text is to say
	Text, Back, Button          string
}

// jobDoes are what can be said of a job on its page, with the mark of each.
var jobDoes = map[string]string{"close": rules.MarkJobClosed, "reopen": rules.MarkJobReopened, "archive": rules.MarkJobArchived, "begin": rules.MarkJobBegun}

// jobOffers are those that make sense now.
func jobOffers(job Job, newest bool) []string {
	switch {
	case job.State == rules.JobOpen:
		return []string{"close"}
	case job.State == rules.JobClosed && newest && job.Late != 0:
		return []string{"close", "reopen", "begin"}
	case job.State == rules.JobClosed && newest:
		return []string{"reopen", "begin", "archive"}
	case job.State == rules.JobClosed:
		return []string{"archive"}
	case newest:
		return []string{"reopen", "begin"}
	}
	return nil
}

func jobURL(do, system string, number int) string {
	return "/record/job?" + jobQuery(system, number, "do", do).Encode()
}

func jobQuery(system string, number int, more ...string) url.Values {
	q := url.Values{}
	if system != "" {
		q.Set("system", system)
	}
	if number != 0 {
		q.Set("job", strconv.Itoa(number))
	}
	for i := 0; i+1 < len(more); i += 2 {
		q.Set(more[i], more[i+1])
	}
	return q
}

// ofJob reads a form and finds the job that it is of; where there is none, it has answered.
func (s *screens) ofJob(w http.ResponseWriter, r *http.Request) (f url.Values, snap Snapshot, job Job, ok bool) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return f, snap, job, false
	}
	f, snap = r.PostForm, s.box.Now()
	if job, ok = s.job(snap, f); !ok {
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.job")
	}
	return f, snap, job, ok
}

// job finds the job that a request names; without a word the newest of the only system, or of the first.
func (s *screens) job(snap Snapshot, f url.Values) (Job, bool) {
	system, ok := s.knownStep(snap, f.Get("system"), s.order[0])
	if !ok && f.Get("system") == "" && len(snap.Site.Systems) > 0 {
		system, ok = snap.Site.Systems[0].Name, true
	}
	if !ok {
		return Job{}, false
	}
	text := f.Get("job")
	if text == "" {
		return snap.newest(system), true
	}
	number, err := strconv.Atoi(text)
	if err != nil || number < 1 {
		return Job{}, false
	}
	for _, j := range snap.Jobs[system] {
		if j.Number == number {
			return j, true
		}
	}
	newest := snap.newest(system)
	return newest, newest.Number == number
}

func (s *screens) jobPage(w http.ResponseWriter, r *http.Request) {
	s.writeJob(w, r, http.StatusOK, r.URL.Query(), "")
}

func (s *screens) writeJob(w http.ResponseWriter, r *http.Request, status int, f url.Values, problem string) {
	snap := s.box.Now()
	job, ok := s.job(snap, f)
	do := f.Get("do")
	if _, known := jobDoes[do]; !ok || !known {
		s.refuse(w, r, http.StatusNotFound, "refused.job")
		return
	}
	v := s.frame(r, "job", snap)
	title := midSentence(s.ofSystem(snap, job))
	b := jobView{System: job.System, Do: do, Number: job.Number, Title: s.words.say("job.do."+do, title), Text: f.Get("text"),
		Sentence: s.words.say("job.sentence."+do, title, snap.Wall.In(snap.zone()).Format("15:04")),
		Ask:      s.words.say("job.ask." + do), Back: recordURL(job.System, job.Number), Button: s.words.say("job.button." + do)}
	if do == "close" {
		if len(job.Signed) == 0 {
			b.Warn = append(b.Warn, s.words.say("job.unsigned"))
		}
		if b.Open = s.openOf(snap, job); len(b.Open) > 0 { // last: the list stands under it
			b.Warn = append(b.Warn, s.words.count("job.still-open", len(b.Open)))
		}
	}
	v.Title, v.Problem, v.Body = b.Title, problem, b
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	s.write(w, status, "job", v)
}

// ofSystem is a job's title, with its system where the site has several.
func (s *screens) ofSystem(snap Snapshot, job Job) string {
	return s.withSystem(snap, s.jobTitle(job), job.System)
}

// postJob records what is said of a job: a mark, so that a replay sees the same.
func (s *screens) postJob(w http.ResponseWriter, r *http.Request) {
	f, snap, job, ok := s.ofJob(w, r)
	if !ok {
		return
	}
	do := f.Get("do")
	mark, known := jobDoes[do]
	if !known {
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.job")
		return
	}
	if problem := s.jobProblem(snap, job, do, f); problem != "" {
		s.writeJob(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	by := tidy(f.Get("by"), mostName)
	if who := signerOf(r); who.Fixed {
		by = who.Name
	}
	m := rules.JobMark{Text: tidy(f.Get("text"), mostRemark), By: strings.ReplaceAll(by, ", by ", ", ")}
	if len(snap.Site.Systems) > 1 {
		m.System = job.System
	}
	number := job.Number
	if do == "begin" {
		number = 0
	}
	m.Number = number
	s.record(w, r, "job", recordURL(job.System, number), rules.Told{Kind: "mark", Name: mark, System: job.System, Note: m.Note(), By: by})
}

// jobProblem says why that cannot be said of a job now; nothing where it can.
func (s *screens) jobProblem(snap Snapshot, job Job, do string, f url.Values) string {
	newest := snap.newest(job.System).Number == job.Number
	offered := false
	for _, o := range jobOffers(job, newest) {
		offered = offered || o == do
	}
	switch {
	case !offered:
		return s.words.say("problem.job-state", s.jobTitle(job), s.words.say("job.state."+job.State))
	case do == "begin" && strings.TrimSpace(f.Get("text")) == "":
		return s.words.say("problem.job-name")
	case do == "reopen" && strings.TrimSpace(f.Get("text")) == "":
		return s.words.say("problem.job-reason")
	}
	if do != "close" && do != "begin" {
		return ""
	}
	var under []string
	for _, st := range snap.Running {
		if st.System == job.System {
			under = append(under, midSentence(s.words.name("step", st.Name)))
		}
	}
	if len(under) > 0 {
		return s.words.say("problem.job-running", strings.Join(under, ", "))
	}
	return ""
}
