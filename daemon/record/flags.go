package record

import (
	"context"
	"slices"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// flagged is a flag while its record is read.
type flagged struct {
	Flag
	seen    rules.Flag // as it was last raised
	from    uint64     // the entry at which it was raised first
	to      uint64     // at which it was cleared; 0: not yet
	byEnd   bool       // it was up at the record's end
	running bool       // of a step of this job: told of to its end, whatever became of the job
}

func (x *flagged) up() bool { return x.to == 0 }

// found reads what was judged and told in its time: all of the job's own steps,
// also after it was closed, and what else was up while it went on, also if it
// was raised before.
func (g *reading) found(ctx context.Context) error {
	var flags []*flagged
	for after := int64(0); ; {
		page, err := g.r.Findings(ctx, after, 1000)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		for _, f := range page {
			after = f.ID
			if f.ID > g.stood.finding { // found while this is read
				continue
			}
			s := g.bySeq[f.Begin]
			if f.System != "" && f.System != g.system.Name || f.Begin != 0 && s == nil || f.Begin == 0 && f.Seq > g.to || f.Seq > g.last {
				continue
			}
			if f.Edge != rules.Given {
				flags = g.edge(flags, f.Finding)
				continue
			}
			switch {
			case s == nil:
			case f.Seq > g.to:
				s.afterSaid = append(s.afterSaid, f.Finding)
			default:
				s.verdicts = append(s.verdicts, f.Finding)
			}
		}
	}
	for _, e := range g.marks {
		b, ok := e.Body.(*rules.Told)
		if !ok || b.Name != "acknowledged" {
			continue
		}
		at, stands := g.happened(e.At, b.Own), false
		for _, x := range flags {
			if !x.Acknowledged && (e.Seq <= g.to || x.running) && journal.Acknowledges(b, e.Seq, &x.seen) && (x.up() || !x.Cleared.Before(at)) {
				x.Acknowledged, x.By, x.AcknowledgedAt, stands = true, b.By, at, true
			}
		}
		if !stands && g.inJob(e.Seq) && g.ours(b) { // all over by then: it was told all the same
			n := g.note(e, b)
			i := slices.IndexFunc(g.rec.Notes, func(o Note) bool { return o.At.After(n.At) })
			if i < 0 {
				i = len(g.rec.Notes)
			}
			g.rec.Notes = slices.Insert(g.rec.Notes, i, n)
		}
	}
	for _, x := range flags {
		if x.Open = x.up(); x.from <= g.to {
			x.Open = x.byEnd
		}
		x.Unread = x.Flag.Flag == rules.PointSilent.Name && !slices.ContainsFunc(g.steps, func(s *underWay) bool {
			return (x.up() || x.to >= s.Seq) && (s.endSeq == 0 || s.endSeq >= x.from) && g.site.Reads(s.Step.Step, x.Subject)
		})
		if x.byEnd {
			g.open = append(g.open, x.seen)
		}
		g.rec.Flags = append(g.rec.Flags, x.Flag)
	}
	return nil
}

// edge takes a raising or a clearing.
func (g *reading) edge(flags []*flagged, f rules.Finding) []*flagged {
	i := slices.IndexFunc(flags, func(o *flagged) bool {
		return o.up() && o.seen.Flag == f.Flag && o.seen.System == f.System && o.seen.Begin == f.Begin && o.seen.Subject == f.Subject
	})
	switch {
	case f.Edge == rules.Cleared && i >= 0:
		x := flags[i]
		x.to, x.Cleared, x.byEnd = f.Seq, g.wall(f.At), x.byEnd && f.Seq > g.to
		if f.Seq < g.from { // all over before the job began
			return slices.Delete(flags, i, i+1)
		}
	case f.Edge == rules.Cleared:
	case i >= 0:
		x := flags[i]
		x.seen.Finding, x.Text, x.Figures = f, f.Text, f.Values
		if f.Urgency > urgencyOf(x.Urgency) {
			x.Urgency = f.Urgency.String()
		}
	default:
		flags = append(flags, &flagged{seen: rules.Flag{Finding: f, First: f.At}, from: f.Seq, byEnd: f.Seq <= g.to, running: f.Begin != 0, Flag: Flag{
			Flag: f.Flag, Step: f.Step, Subject: f.Subject, Urgency: f.Urgency.String(), Text: f.Text, Raised: g.wall(f.At), Figures: f.Values,
		}})
	}
	return flags
}

func urgencyOf(word string) rules.Urgency {
	for _, u := range []rules.Urgency{rules.Wake, rules.Tell} {
		if u.String() == word {
			return u
		}
	}
	return rules.Note
}
