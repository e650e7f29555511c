package web

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/record"
	"standwatch/rules"
	"standwatch/sensors"
)

// verdictView is a verdict: its sentence, and behind one tap the numbers.
type verdictView struct {
	Result, Word, Unit, Cause, Text string
	When                            moment
	Values                          []titled
	CauseHelp                       string
	Limits                          []limitRow
	Basis                           []titled
	Points                          []linkRow
}

// verdicts are those that count, what is wrong before what is well.
func (s *screens) verdicts(snap Snapshot, c choice, st Step) []verdictView {
	var vs []verdictView
	for _, f := range latest(st.Verdicts) {
		vs = append(vs, s.verdict(snap, c, st, f))
	}
	return vs
}

// latest are the verdicts that count, the last one of each unit, the worst first.
func latest(all []Finding) (fs []Finding) {
	last := map[string]int{}
	for i, f := range all {
		last[f.Unit] = i
	}
	for i, f := range all {
		if last[f.Unit] == i {
			fs = append(fs, f)
		}
	}
	slices.SortStableFunc(fs, func(a, b Finding) int {
		return cmp.Compare(slices.Index(worstFirst, a.Result), slices.Index(worstFirst, b.Result))
	})
	return fs
}

var worstFirst = []string{rules.NotPassed, rules.NotProven, rules.Passed}

func (s *screens) verdict(snap Snapshot, c choice, st Step, f Finding) verdictView {
	v := verdictView{Result: f.Result, Word: s.words.name("result", f.Result), Unit: f.Unit, Text: f.Text,
		When:   s.words.moment(f.Wall, snap.Wall, snap.zone()),
		Values: s.values(c, f.Finding), Limits: s.limitRows(snap, c, st.System, st.Name, st.Limits), Points: pointLinks(snap, f.Points)}
	if f.Cause != "" && f.Cause != "none" {
		v.Cause, v.CauseHelp = midSentence(s.words.name("cause", f.Cause)), s.words["causehelp."+f.Cause]
	}
	if !st.Begun.IsZero() && f.Wall.After(st.Begun) {
		v.Basis = append(v.Basis, titled{Title: s.words.say("basis.span"), Text: s.words.say("basis.from-to",
			s.words.clock(st.Begun, snap.Wall, snap.zone()), s.words.clock(f.Wall, st.Begun, snap.zone()), s.words.measured(f.Wall.Sub(st.Begun).Seconds()))})
	}
	if f.Seq > 0 && st.Begin > 0 {
		v.Basis = append(v.Basis, titled{Title: s.words.say("basis.journal"),
			Text: s.words.say("basis.entries", rules.Decimals(float64(st.Begin), 0), rules.Decimals(float64(f.Seq), 0))})
	}
	return v
}

// pointLinks are the points of the site among some names.
func pointLinks(snap Snapshot, names []string) (ls []linkRow) {
	for _, name := range names {
		if _, ok := snap.point(name); ok {
			ls = append(ls, linkRow{"/points/" + url.PathEscape(name), name})
		}
	}
	return ls
}

// values are the figures of a finding, each in words and in both worlds' units.
func (s *screens) values(c choice, f rules.Finding) []titled {
	step := f.Step
	if f.Edge == rules.Given {
		step = f.Flag
	}
	var ts []titled
	for _, v := range f.Values {
		v.Key, v.Number = record.Shown(v.Key, v.Number)
		label, text := c.keyed(step, v.Key, v.Number)
		if name, ok := strings.CutSuffix(v.Key, "_s"); ok && !strings.HasSuffix(name, "_per") {
			text = s.words.measured(v.Number)
		}
		if said, ok := s.words["value."+v.Key]; ok {
			label = said
		}
		ts = append(ts, titled{Title: label, Text: text})
	}
	return ts
}

// lineWord is what a step's line is called: the one that must not be passed, the
// one to be reached, or the weight at which a scale shows that it is.
func lineWord(st Step) string {
	switch {
	case len(st.Ledger) > 0:
		return "behind.scale"
	case forbidden[st.Name] != "":
		return "behind.limit"
	}
	return "behind.target"
}

// behind are the numbers behind the sentence of a step under way.
func (s *screens) behind(snap Snapshot, c choice, st Step) (ts []titled) {
	o := st.Outlook
	add := func(key, text, small string) {
		if text != "" {
			ts = append(ts, titled{s.words.say(key), text, small})
		}
	}
	unit := ""
	if p, ok := snap.point(o.Point); ok && p.Quantity == o.Quantity {
		unit = p.Unit
	}
	say := func(v float64) string { return pair(c.both(o.Quantity, unit, v)) }
	if o.HasFig && o.Quantity != sensors.Contact {
		m := s.words.moment(st.FigureAt, snap.Wall, snap.zone())
		add("behind.figure", say(o.Figure), s.words.say("behind.at", m.Clock, m.Ago))
	}
	if t := chargeTarget(st); t != nil && len(st.Ledger) > 0 {
		add("behind.target", say(t.Value), s.words.say("step.source", t.Source))
	}
	if o.Limit != nil {
		add(lineWord(st), say(o.Limit.Value), s.words.say("step.source", o.Limit.Source))
	}
	if o.Elapsed > 0 {
		so := o.Elapsed
		if so > time.Minute {
			so = so.Truncate(time.Minute) // as the sentence counts them
		}
		text := s.words.measured(so.Seconds())
		if o.Lasts > 0 {
			text = s.words.say("behind.of", text, s.words.measured(o.Lasts.Seconds()))
		}
		add("behind.elapsed", text, "")
	}
	if o.Left > 0 && o.Lasts == 0 {
		add("behind.arrival", s.words.say("behind.arrives", s.words.aboutSpan(o.Left), s.words.clock(snap.Wall.Add(o.Left), snap.Wall, snap.zone())), "")
	}
	if n := len(st.Trend); n > 0 && st.Trend[n-1].WallMs > snap.Wall.UnixMilli() {
		t := st.Trend[n-1]
		add("behind.projected", say(t.Best), s.words.say("behind.band",
			s.words.clock(time.UnixMilli(t.WallMs), snap.Wall, snap.zone()), say(t.Low), say(t.High)))
	}
	ts = append(ts, s.values(c, rules.Finding{Step: st.Name, Values: o.Values})...)
	if o.Sure != "" {
		add("behind.sure", s.words.name("sure", o.Sure), "")
	}
	return ts
}
