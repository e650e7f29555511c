package web

import (
	"net/http"
	"net/mail"
	"slices"
	"strings"

	"standwatch/rules"
)

// copiesView is where copies of a job's papers have gone, and where they are due.
type copiesView struct {
	Due   []dueRow
	Other []string // copies to anybody else, or to nobody yet, a sentence each
	Left  string   // how many are due still
	Form  copyForm
}

type dueRow struct{ State, Title, Text string }

type copyForm struct {
	What, To, How []option
	Address       string
}

// copyWhats are the papers that go out.
var copyWhats = []string{"record", "bundle", "label"}

// copyHows are the ways that a person ticks.
var copyHows = []string{rules.ByHand, rules.ByMail, rules.ByStick, rules.ByDownload}

func (s *screens) copiesView(snap Snapshot, job Job, f func(string) string) copiesView {
	v := copiesView{Form: copyForm{Address: f("address")}}
	tell := func(c Copy) string {
		how, address, _ := strings.Cut(c.How, " ")
		by := c.By
		if by == "" {
			by = s.words.say("step.nobody")
		}
		return s.words.say("copies.gone."+how, s.words.name("copy", c.What), s.words.clock(c.Wall, snap.Wall, snap.zone()), by, address)
	}
	newest := map[string]Copy{}
	for _, c := range job.Copies {
		i := slices.IndexFunc(rules.CopiesDue, func(whom string) bool { return strings.EqualFold(whom, c.To) })
		switch {
		case i >= 0:
			newest[rules.CopiesDue[i]] = c
		case c.To == "":
			v.Other = append(v.Other, tell(c))
		default:
			v.Other = append(v.Other, c.To+": "+tell(c))
		}
	}
	due := 0
	for _, whom := range rules.CopiesDue {
		row := dueRow{Title: s.words.name("copyto", slug(whom))}
		c, ok := newest[whom]
		switch {
		case !ok:
			row.State, row.Text = waiting, s.words.say("copies.due")
			due++
		case job.Old(c.Copy):
			row.State, row.Text = ended, tell(c)+" "+s.words.say("copies.old")
			due++
		default:
			row.State, row.Text = "passed", tell(c)
		}
		v.Due = append(v.Due, row)
	}
	if v.Left = s.words.say("copies.all"); due > 0 {
		v.Left = s.words.count("copies.left", due)
	}
	for _, what := range copyWhats {
		v.Form.What = append(v.Form.What, option{what, s.words.name("copy", what), what == f("what")})
	}
	for _, whom := range rules.CopiesDue {
		v.Form.To = append(v.Form.To, option{whom, s.words.name("copyto", slug(whom)), whom == f("to")})
	}
	for _, how := range copyHows {
		v.Form.How = append(v.Form.How, option{how, s.words.name("copyhow", how), how == f("how")})
	}
	return v
}

func slug(name string) string { return strings.ReplaceAll(name, " ", "-") }

// postCopied records a copy that somebody saw to.
func (s *screens) postCopied(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	f := r.PostForm
	snap := s.box.Now()
	job, ok := s.job(snap, f)
	if !ok {
		s.refuse(w, r, http.StatusUnprocessableEntity, "refused.job")
		return
	}
	c := rules.Copy{What: f.Get("what"), To: f.Get("to"), How: f.Get("how")}
	c.Number, c.By = job.Number, tidy(strings.ReplaceAll(f.Get("by"), ",", " "), mostName)
	if who := signerOf(r); who.Fixed {
		c.By = "" // stands beside the note
	}
	if len(snap.Site.Systems) > 1 {
		c.System = job.System
	}
	problem := ""
	switch {
	case !slices.Contains(copyWhats, c.What) || !slices.Contains(rules.CopiesDue, c.To) || !slices.Contains(copyHows, c.How):
		problem = s.words.say("problem.copy")
	case c.How == rules.ByMail:
		a, err := mail.ParseAddress(f.Get("address"))
		if err != nil || strings.ContainsAny(a.Address, ", \t") || len(a.Address) > 120 {
			problem = s.words.say("problem.copy-address")
			break
		}
		c.How += " " + a.Address
	}
	if problem != "" {
		s.writeRecord(w, r, http.StatusUnprocessableEntity, f, problem)
		return
	}
	by := c.By
	c.By = ""
	s.record(w, r, "copied", recordURL(job.System, job.Number)+"#copies",
		rules.Told{Kind: "mark", Name: rules.MarkCopy, System: job.System, Note: c.Note(), By: by})
}
