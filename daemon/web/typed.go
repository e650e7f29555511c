package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// typedView is the form for what somebody reads off in a room and types.
type typedView struct {
	Step, System, Back string
	Rooms              []option
	Fields             []typedField
	Units              []option // of the temperatures
	Sentence           string
}

type typedField struct{ Key, Title, Value string }

// typedKinds are what can be read off, the supply last: with it a unit is judged.
var typedKinds = []string{"return", "wet-bulb", "humidity", "supply"}

func (s *screens) typedPage(w http.ResponseWriter, r *http.Request) {
	s.writeTyped(w, r, http.StatusOK, r.URL.Query(), "")
}

func (s *screens) writeTyped(w http.ResponseWriter, r *http.Request, status int, f url.Values, problem string) {
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), f.Get("step"))
	if !ok || !slices.Contains(walked, f.Get("step")) {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	v := s.frame(r, "typed", snap)
	v.Title, v.Problem = s.withSystem(snap, s.words.say("title.typed"), system), problem
	if problem != "" {
		v.Who = v.Who.or(tidy(f.Get("by"), mostName))
	}
	t := typedView{Step: f.Get("step"), System: system, Back: stepURL(system, f.Get("step")),
		Sentence: s.words.say("typed.sentence", snap.Wall.In(snap.zone()).Format("15:04"))}
	for _, sys := range snap.Site.Systems {
		for _, u := range sys.Units {
			if sys.Name == system {
				t.Rooms = append(t.Rooms, option{u.Name, roomTitle(u), u.Name == f.Get("unit")})
			}
		}
	}
	for _, kind := range typedKinds {
		t.Fields = append(t.Fields, typedField{kind, s.words.name("typed", kind), f.Get(kind)})
	}
	first := f.Get("degrees")
	if first == "" && v.Units == choiceUS {
		first = "F"
	}
	for _, u := range []string{"C", "F"} {
		t.Units = append(t.Units, option{u, "°" + u, u == first})
	}
	v.Body = t
	s.write(w, status, "typed", v)
}

// postTyped records what was read off in one room, a mark each, all in one commit.
func (s *screens) postTyped(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	f := r.PostForm
	snap := s.box.Now()
	system, ok := s.knownStep(snap, f.Get("system"), f.Get("step"))
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "refused.step")
		return
	}
	all, problem := s.typedMarks(snap, system, f)
	if problem != "" {
		s.writeTyped(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	s.record(w, r, "mark", stepURL(system, f.Get("step")), all...)
}

func (s *screens) typedMarks(snap Snapshot, system string, f url.Values) (all []rules.Told, problem string) {
	if !slices.ContainsFunc(snap.Site.Systems, func(y rules.System) bool {
		return y.Name == system && slices.ContainsFunc(y.Units, func(u rules.Unit) bool { return u.Name == f.Get("unit") })
	}) {
		return nil, s.words.say("problem.sheet-unit")
	}
	for _, kind := range typedKinds {
		text := strings.ReplaceAll(tidy(f.Get(kind), mostName), ",", ".")
		if text == "" {
			continue
		}
		unit, q, low, high := f.Get("degrees"), sensors.Temperature, -40.0, 90.0 // of air in a room or a duct
		if kind == "humidity" {
			unit, q, low, high = "%", sensors.Humidity, 0, 1
		}
		v, err := strconv.ParseFloat(text, 64)
		si, wrong := q.ToSI(v, unit)
		if err != nil || wrong != nil || !(si >= low && si <= high) { // NaN is neither
			return nil, s.words.say("problem.typed", s.words.name("typed", kind))
		}
		all = append(all, rules.Told{Kind: "mark", Name: "typed", System: system, Value: q.Round(si), Unit: q.SI(), Note: f.Get("unit") + " " + kind,
			By: tidy(f.Get("by"), mostName)})
	}
	if len(all) == 0 {
		return nil, s.words.say("problem.typed-nothing")
	}
	if _, running := snap.running(system, f.Get("step")); !running || !slices.Contains(walked, f.Get("step")) {
		return nil, s.words.say("problem.typed-step")
	}
	said := map[string]float64{}
	for _, m := range all {
		_, kind, _ := strings.Cut(m.Note, " ")
		said[kind] = m.Value
		switch {
		case kind == "humidity" && m.Value <= 0.01: // one hundredth: somebody wrote a share
			return nil, s.words.say("problem.typed-share")
		case m.Value > 45 && (kind == "return" || kind == "supply" && f.Get("step") == "cooling-check"): // no room is, nor what cools it; 75 in C is 75 in F
			return nil, s.words.say("problem.typed-degrees")
		}
	}
	dry, read := said["return"]
	if wet, both := said["wet-bulb"]; read && both && wet > dry {
		return nil, s.words.say("problem.typed-wet")
	}
	return all, ""
}
