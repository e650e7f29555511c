package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
)

// A bridge that dies silences all its points: one card says so, not one a
// point, as the outbox sends one message. Each flag stands for itself in the
// journal, and is acknowledged and cleared by itself.

// sharedFlags are those that many points have at once by what they hang on.
var sharedFlags = []string{"point-silent", "point-failed"}

const (
	mostTogether = 100         // in a card: its form has to come whole
	namedPoints  = 3           // by name in its sentence; the others are a tap away
	togetherFor  = time.Minute // so close findings are one row of what happened
)

// deviceOf is what a flag's point hangs on, as people name it; empty where it
// shares nothing, or the flag is of another kind.
func (s *screens) deviceOf(snap Snapshot, f rules.Finding) string {
	if !slices.Contains(sharedFlags, f.Flag) || f.Edge == rules.Given {
		return ""
	}
	for _, p := range snap.Site.Points {
		if p.Name == f.Subject && p.Device != "" {
			return s.words.name("source", p.Source) + " " + p.Device
		}
	}
	return ""
}

// together makes one of the flags of the same kind on the same device. Of what
// happened only neighbours are one, for its order is what it tells.
func (s *screens) together(all []flagView) (out []flagView) {
	for _, f := range all {
		i := len(out) - 1
		if f.Open {
			i = slices.IndexFunc(out, func(o flagView) bool { return o.joins(f) })
		}
		if f.Device == "" || i < 0 || !out[i].joins(f) {
			out = append(out, f)
			continue
		}
		if out[i].Subjects == nil {
			out[i].Subjects = []string{out[i].Subject}
		}
		out[i].Subjects = append(out[i].Subjects, f.Subject)
		out[i].Points = append(slices.Clip(out[i].Points), f.Points...)
		if f.at.Before(out[i].at) { // since when it is so
			out[i].When, out[i].at = f.When, f.at
		}
	}
	for i := range out {
		if n := len(out[i].Subjects); n > 0 {
			named := strings.Join(out[i].Subjects[:min(n, namedPoints)], ", ")
			if n > namedPoints {
				named = s.words.say("together.more", named, n-namedPoints)
			}
			out[i].Title = s.words.say("together.title", out[i].Title, n)
			out[i].Text = s.words.say("together."+out[i].Name+"."+out[i].edge, n, out[i].Device, named)
			out[i].Where, out[i].Values, out[i].First = "", nil, ""
		}
	}
	return out
}

func (f flagView) joins(g flagView) bool {
	same := f.Device != "" && f.Device == g.Device && f.Name == g.Name && f.System == g.System && f.edge == g.edge && f.Open == g.Open &&
		f.Urgency == g.Urgency && f.Acknowledged == g.Acknowledged && f.By == g.By && len(f.Subjects) < mostTogether
	return same && (f.Open || f.at.Sub(g.at).Abs() < togetherFor)
}

// takeAll acknowledges the flags of one card, as far as they are still open and
// nobody has taken them: some may have been cleared since it was shown.
func (s *screens) takeAll(w http.ResponseWriter, r *http.Request, snap Snapshot, f url.Values) {
	var all []rules.Told
	why := ""
	for _, subject := range f["subject"] {
		told, _, problem := s.acknowledged(snap, f.Get("flag"), f.Get("system"), subject)
		if problem != "" {
			why = problem
			continue
		}
		told.By = tidy(f.Get("by"), mostName)
		all = append(all, told)
	}
	if len(all) == 0 {
		s.again(w, r, snap, why)
		return
	}
	s.record(w, r, "acknowledge", back(f.Get("back")), all...)
}
