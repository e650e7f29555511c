package web

import (
	"context"
	"net/url"
	"slices"

	"standwatch/rules"
	"standwatch/sensors"
)

// knownStep checks a step and a system of the site. Without a word of the
// system the site's only one is meant.
func (s *screens) knownStep(snap Snapshot, system, step string) (string, bool) {
	if !slices.Contains(s.order, step) {
		return "", false
	}
	for _, sys := range snap.Site.Systems {
		if sys.Name == snap.Site.SystemOf(system) {
			return sys.Name, true
		}
	}
	return "", false
}

func (s *screens) stepTitle(snap Snapshot, system, step string) string {
	return s.withSystem(snap, s.words.name("step", step), system)
}

// withSystem is a title with its system, where the site has several.
func (s *screens) withSystem(snap Snapshot, title, system string) string {
	if len(snap.Site.Systems) > 1 && system != "" {
		return s.words.say("step.of", title, system)
	}
	return title
}

func stepURL(system, step string) string {
	u := "/steps/" + url.PathEscape(step)
	if system != "" {
		u += "?system=" + url.QueryEscape(system)
	}
	return u
}

func confirmURL(do, system, step string) string {
	return "/confirm?" + url.Values{"do": {do}, "system": {system}, "step": {step}}.Encode()
}

type limitRow struct{ Name, Text, Source, Doc string }

type linkRow struct{ URL, Title string }

type stepPageView struct {
	stepRow
	Running   bool
	Lead      *stepView // under way, or over
	Earlier   []stepRow // other times the step was begun
	Cautions  []string
	Limits    []limitRow
	Own       []linkRow
	Common    []linkRow
	BeginURL  string
	EndURL    string
	Look      checkGroup // what no sensor sees
	ChecksURL string
	Accept    string // where to accept what did not pass
	Record    string // of the last step: where the paper is
	Shut      string // the system's newest job is closed
	Who       signer
}

// begun is a step by the number of its begin mark, under way or over; without
// one the newest of the system's newest job.
func (s Snapshot) begun(system, step string, begin uint64) (Step, bool) {
	for _, st := range slices.Concat(s.Running, s.Past) {
		if st.Name == step && st.System == system && (begin == 0 && s.ofNewest(st) || st.Begin == begin) {
			if st.Outlook.Point == "" {
				st.Outlook.Point, st.Outlook.Quantity, st.Outlook.Limit = s.shown(st)
			}
			return st, true
		}
	}
	return Step{}, false
}

// shown is what there is to see of a step whose judge is gone, after a
// restart: the point it went by, and its line.
func (s Snapshot) shown(st Step) (point string, q sensors.Quantity, line *rules.Setting) {
	by, ok := shownBy[st.Name]
	for _, p := range s.Points {
		if !ok || p.Role != by.role || p.System != "" && p.System != st.System {
			continue
		}
		if set, given := st.Limits[by.line]; given {
			line = &set
		}
		return p.Name, p.Quantity, line
	}
	return "", sensors.NoQuantity, nil
}

// shownBy is the role a step goes by, and the setting drawn as its line. A
// charge has none on the scale's own curve: its weight there is known to its judge.
var shownBy = map[string]struct{ role, line string }{
	"pressure-test": {"test-pressure", "target"},
	"evacuation":    {"vacuum-gauge", "target"},
	"vacuum-hold":   {"vacuum-gauge", "limit"},
	"draw-in":       {"charging-scale", ""},
	"weigh-in":      {"charging-scale", ""},
}

func (s *screens) stepPage(ctx context.Context, snap Snapshot, v view, system, name string, begin uint64, svg bool) stepPageView {
	p := stepPageView{stepRow: s.stepRow(snap, system, name), Who: v.Who,
		BeginURL: confirmURL("begin", system, name), EndURL: confirmURL("end", system, name)}
	p.Look, p.ChecksURL = s.checkGroup(snap, system, name), checksURL(system)
	p.Title = s.stepTitle(snap, system, name)
	p.Cautions = s.cautions(snap, system, name)
	limits := snap.Site.Settings(system, name)
	if st, ok := snap.begun(system, name, begin); ok {
		sv := s.stepView(snap, v.Units, st)
		s.addCurve(ctx, snap, v.Units, st, &sv, svg)
		p.Running, p.Lead = st.Ended.IsZero(), &sv
		if begin != 0 {
			p.stepRow = s.rowOf(snap, st)
		}
		p.Title = sv.Title
		if st.Limits != nil {
			limits = st.Limits
		}
		for _, other := range slices.Concat(snap.Running, snap.Past) {
			if other.System == system && other.Name == name && other.Begin != st.Begin {
				p.Earlier = append(p.Earlier, s.rowOf(snap, other))
			}
		}
	}
	p.Limits = s.limitRows(snap, v.Units, system, name, limits)
	if p.acceptable() && begin == 0 {
		p.Accept = "/mark/accepted?" + url.Values{"system": {system}, "step": {name}}.Encode()
	}
	if p.Shut = s.shutJob(snap, system); name == "hand-over" || p.Shut != "" {
		p.Record = recordURL(system, 0)
	}
	own, common := marksFor(name)
	p.Own, p.Common = s.markLinks(own, system, name), s.markLinks(common, system, name)
	if name == "take-off" {
		p.Own = append([]linkRow{{takeoffURL(system), s.words.say("takeoff.go")}}, p.Own...)
	}
	if name == "unit-count" {
		p.Own = append([]linkRow{{sheetURL(system), s.words.say("sheet.go")}}, p.Own...)
	}
	if slices.Contains(commanded, name) {
		p.Own = append(p.Own, s.markLinks([]markKind{{Name: "command"}}, system, name)...)
	}
	return p
}

// limitRows are a step's settings in the order of the table of limits.
func (s *screens) limitRows(snap Snapshot, c choice, system, step string, settings map[string]rules.Setting) []limitRow {
	var rows []limitRow
	for _, l := range rules.Limits() {
		if set, ok := settings[l.Key]; ok && l.Step == step {
			set = snap.Site.Used(system, step, l.Key, set)
			rows = append(rows, limitRow{s.words.name("limit", l.Key), s.setting(snap, c, l, set), set.Source, l.Doc})
		}
	}
	return rows
}

// unitFor is the unit in which the site's instruments measure something.
func (s Snapshot) unitFor(q sensors.Quantity, otherwise string) string {
	for _, p := range s.Points {
		if p.Quantity == q && p.Unit != "" {
			return p.Unit
		}
	}
	return otherwise
}

// setting shows a limit's value with its unit.
func (s *screens) setting(snap Snapshot, c choice, l rules.Limit, set rules.Setting) string {
	switch l.Dimension {
	case sensors.Times:
		return s.words.measured(set.Value)
	case sensors.Masses:
		return pair(c.both(sensors.Mass, snap.unitFor(sensors.Mass, "kg"), set.Value))
	case sensors.Temperatures:
		return pair(c.both(sensors.Temperature, snap.unitFor(sensors.Temperature, "C"), set.Value))
	case sensors.Differences:
		if c == asMeasured && customary(snap.unitFor(sensors.Temperature, "C")) {
			c = choiceUS
		}
		return c.given(set.Value, rules.Kelvin, rules.Rankine)
	case sensors.Pressures:
		if l.Quantity == sensors.Vacuum {
			return pair(c.both(sensors.Vacuum, "micron", set.Value))
		}
		return pair(c.both(sensors.Pressure, "psi", set.Value))
	case sensors.Currents:
		return rules.Ampere.Text(set.Value)
	case sensors.Voltages:
		return rules.Volt.Text(set.Value)
	case sensors.Ratios:
		return rules.Percent.Text(set.Value)
	case sensors.Lengths:
		if set.Value < 0.1 {
			return c.given(set.Value, millimetre, inch)
		}
		return c.length(set.Value)
	case sensors.Flows:
		return c.given(set.Value, litresASecond, cubicFeetAMin)
	case sensors.MassRates:
		return c.given(set.Value, kilogramAMin, poundAMin)
	case sensors.Densities:
		return c.given(set.Value, kilogramRoom, poundRoom)
	case sensors.Volumes:
		if set.Value < 1 {
			return c.given(set.Value, litre, cubicFoot)
		}
		return c.given(set.Value, cubicMetre, cubicFoot)
	}
	return set.Text
}

func (s *screens) markLinks(ms []markKind, system, step string) []linkRow {
	var ls []linkRow
	for _, m := range ms {
		q := url.Values{"step": {step}}
		if system != "" {
			q.Set("system", system)
		}
		page := "/mark/" + m.Name
		if m.Name == "typed" { // several at once, on a page of its own
			page = "/typed"
		}
		ls = append(ls, linkRow{page + "?" + q.Encode(), s.words.name("mark", m.Name)})
	}
	return ls
}
