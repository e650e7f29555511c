package rules

import "time"

// SplitOpposed tells in normal running of a unit that does the opposite of what
// it is asked.
var SplitOpposed = Rule{
	Name:  "pipes-crossed",
	Doc:   "Tells when a unit's split has been opposite to what it is asked for more than ten minutes; not during a branch check.",
	Flags: []string{"pipes-crossed"},
	Roles: []string{"supply-air", "return-air"},
	Begin: beginSplitOpposed,
}

const (
	opposedFor  = 10 * time.Minute // the field guide, step 8
	opposedK    = 1.5              // from here on it is more than two sensors' errors and a fan's warmth (common practice)
	opposedBack = 0.75             // and below this it is not
	opposedGood = 5 * time.Minute  // before its flag goes
	opposedOver = 30 * time.Second // a split is that of means over these
	opposedGap  = 2 * time.Minute  // longer without a reading, and it begins anew (the contract)
)

type splitOpposed struct {
	system string
	units  []*opposing
	feeds  [][]opposingFeed
	checks bool // a branch check is under way
}

// opposing is a unit's split against what it is asked.
type opposing struct {
	unit         Unit
	asked        string
	supply, back mean
	opposed      lasting
	good         lasting
	raised       bool
}

// mean is a point's mean over half a minute, and the one before.
type mean struct {
	point          string
	every          time.Duration
	from           time.Duration // of the present half minute
	sum, n         float64
	value          float64
	at             time.Duration // when that was
	known, started bool
}

// add reports whether a half minute is over.
func (m *mean) add(t time.Duration, v float64) (over bool) {
	if m.started && t-m.from >= opposedOver && m.n > 0 {
		m.value, m.at, m.known = m.sum/m.n, t, true
		m.sum, m.n, over = 0, 0, true
	}
	if m.n == 0 {
		m.from, m.started = t, true
	}
	m.sum += v
	m.n++
	return over
}

func (m *mean) fresh(now time.Duration) bool {
	return m.known && now-m.at <= max(opposedGap, m.every*5/2)
}

type opposingFeed struct {
	unit *opposing
	to   *mean
}

func beginSplitOpposed(s Start) Judge {
	j := &splitOpposed{system: s.System, feeds: make([][]opposingFeed, len(s.Points))}
	for _, step := range s.Running {
		j.checks = j.checks || step.Name == "branch-check"
	}
	for _, u := range s.Units {
		x := &opposing{unit: u, asked: s.Commands[u.Name]}
		x.supply.point, x.back.point = airOf(u.Supply, u, s.Points, "supply-air"), airOf(u.Return, u, s.Points, "return-air")
		for _, o := range s.Open {
			x.raised = x.raised || o.Step == "" && o.Subject == u.Name
		}
		j.units = append(j.units, x)
	}
	for k, p := range s.Points {
		for _, x := range j.units {
			for _, m := range []*mean{&x.supply, &x.back} {
				if m.point == p.Name {
					m.every = p.Every
					j.feeds[k] = append(j.feeds[k], opposingFeed{x, m})
				}
			}
		}
	}
	return j
}

func (j *splitOpposed) Next(e Entry) (out []Finding) {
	switch b := e.Body.(type) {
	case *Measured:
		if !b.Health.Usable() {
			return nil
		}
		for _, f := range j.feeds[e.place] {
			if f.to.add(b.Taken, b.Value) && !j.checks {
				out = append(out, f.unit.look(f.to.at)...)
			}
		}
	case *Told:
		switch {
		case b.Name == "branch-check" && (b.Kind == "begin" || b.Kind == "end") && (b.System == "" || b.System == j.system):
			j.checks = b.Kind == "begin"
			for _, x := range j.units {
				x.opposed, x.good = lasting{}, lasting{}
			}
		case b.Kind == "command":
			return j.command(b)
		}
	}
	return out
}

func (j *splitOpposed) command(b *Told) []Finding {
	for _, x := range j.units {
		if x.unit.Name != b.Name || x.asked == b.Note {
			continue
		}
		x.asked, x.opposed, x.good = b.Note, lasting{}, lasting{}
		if x.raised {
			x.raised = false
			return []Finding{{Edge: Cleared, Flag: "pipes-crossed", Subject: x.unit.Name, Text: unitAskedOther(x.unit, b.Note)}}
		}
	}
	return nil
}

// look judges a unit when one of its half minutes is over.
func (x *opposing) look(now time.Duration) []Finding {
	if x.asked != "heat" && x.asked != "cool" || x.supply.point == "" || x.back.point == "" {
		return nil
	}
	if !x.supply.fresh(now) || !x.back.fresh(now) {
		x.opposed, x.good = lasting{}, lasting{}
		return nil
	}
	split := x.supply.value - x.back.value // above nought where it does what is asked
	if x.asked == "cool" {
		split = -split
	}
	edge := opposedK
	if x.opposed.holds {
		edge = opposedBack
	}
	if x.opposed.by(now, split < -edge, opposedFor) && !x.raised {
		x.raised = true
		return []Finding{{Edge: Raised, Flag: "pipes-crossed", Subject: x.unit.Name, Urgency: Tell, Points: []string{x.supply.point, x.back.point},
			Text:   splitIsOpposed(unitName(x.unit), x.asked, x.supply.value, x.back.value, now-x.opposed.since),
			Values: []Value{{"supply_c", x.supply.value}, {"return_c", x.back.value}, {"split_k", split}, {"opposed_s", seconds(now - x.opposed.since)}}}}
	}
	if x.good.by(now, split > -opposedBack, opposedGood) && x.raised {
		x.raised = false
		return []Finding{{Edge: Cleared, Flag: "pipes-crossed", Subject: x.unit.Name, Text: splitObeys(unitName(x.unit), x.asked)}}
	}
	return nil
}

// Due is nothing: a split is judged by its readings.
func (j *splitOpposed) Due() (time.Duration, bool) { return 0, false }
