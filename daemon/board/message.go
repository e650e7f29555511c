package board

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// Whoever may write to the broker may write anything: these are the limits of
// what is taken. A site has tens of points and a handful of flags.
const (
	largest    = 256 << 10 // bytes of a message
	mostPoints = 1000
	mostValues = 100
	mostText   = 2000 // runes of a sentence
	mostName   = 200  // runes of a name
)

// message is one message of a box, read. One of the pointers is set, or the
// payload was empty: then what stood on the topic is taken away.
type message struct {
	box     string
	topic   string // below standwatch/BOX/
	gone    bool
	state   string // online, offline
	about   *about
	clock   *clock
	step    *step
	flag    *flag
	verdict *verdict
	latest  []reading
}

type about struct {
	site    string
	zone    *time.Location
	version string
	url     string
	demo    bool
	systems []rules.System
	points  []sensors.Point
	named   map[string]bool
}

type clock struct {
	at     time.Time
	proven bool
}

type step struct {
	system, name   string
	begun, told    time.Time
	text, sure     string
	point          string
	quantity       sensors.Quantity
	figure         float64
	hasFigure      bool
	figureAt       time.Time
	limit          *rules.Setting
	elapsed, lasts time.Duration
	left           time.Duration
	values         []rules.Value
}

type flag struct {
	rules.Finding
	at, first    time.Time
	acknowledged bool
	by           string
}

type verdict struct {
	rules.Finding
	at       time.Time
	accepted bool
	by       string
}

type reading struct {
	point string
	unit  string
	at    time.Time
	value float64
}

var boxName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

var errForeign = errors.New("this is no topic of a box's state")

// read reads one message. errForeign: it is none that a board looks at.
func read(topic string, payload []byte) (message, error) {
	rest, ours := strings.CutPrefix(topic, "standwatch/")
	box, rest, deep := strings.Cut(rest, "/")
	if !ours || !deep || !boxName.MatchString(box) {
		return message{}, errForeign
	}
	m := message{box: box, topic: rest, gone: len(payload) == 0}
	levels := strings.Split(rest, "/")
	kind, depth := levels[0], len(levels)
	known := map[string][2]int{ // how many levels such a topic has
		"state": {1, 1}, "about": {1, 1}, "clock": {1, 1}, "latest": {1, 1}, "step": {3, 3}, "flag": {4, 4}, "verdict": {3, 4},
	}[kind]
	if depth < known[0] || depth > known[1] {
		return message{}, errForeign // a fence, say, or something of a later version
	}
	if len(payload) > largest {
		return m, fmt.Errorf("the message has %d bytes", len(payload))
	}
	if m.gone {
		return m, nil
	}
	var err error
	switch kind {
	case "state":
		if m.state = string(payload); m.state != "online" && m.state != "offline" {
			return m, errors.New("a state is online or offline")
		}
	case "about":
		m.about, err = readAbout(payload)
	case "clock":
		m.clock, err = readClock(payload)
	case "step":
		m.step, err = readStep(payload)
	case "flag":
		m.flag, err = readFlag(payload)
	case "verdict":
		m.verdict, err = readVerdict(payload)
	case "latest":
		m.latest, err = readLatest(payload, "standwatch/"+box+"/")
	}
	return m, err
}

// said makes a text of somebody else fit to be shown: whole runes, no controls,
// no longer than a sentence.
func said(text string, most int) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 { // which turn the writing round
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
	if utf8.RuneCountInString(text) > most {
		text = string([]rune(text)[:most]) + "\u2026"
	}
	return text
}

// moment reads a time; one that no calendar of a site knows is none.
func moment(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil || t.Year() < 1970 || t.Year() > 2200 {
		return time.Time{}
	}
	return t
}

// spell reads a number of seconds.
func spell(seconds float64) time.Duration {
	if !(seconds > 0) {
		return 0
	}
	return time.Duration(min(seconds, 1e8) * float64(time.Second)) // three years
}

func readAbout(payload []byte) (*about, error) {
	var in struct {
		Site, Timezone, Version, URL string
		Demo                         bool
		Systems                      []struct{ Name, Refrigerant string }
		Points                       []struct {
			Name, System, Measures, Role, Unit string
			Every                              float64 `json:"every_s"`
			Silent                             float64 `json:"silent_after_s"`
		}
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	if len(in.Points) > mostPoints || len(in.Systems) > mostPoints {
		return nil, fmt.Errorf("a site has no %d points and %d systems", len(in.Points), len(in.Systems))
	}
	a := &about{site: said(in.Site, mostName), version: said(in.Version, mostName), demo: in.Demo, zone: time.UTC,
		named: map[string]bool{}}
	if zone, err := time.LoadLocation(in.Timezone); err == nil && len(in.Timezone) < 64 && in.Timezone != "Local" {
		a.zone = zone
	}
	if u, err := url.Parse(in.URL); err == nil && (u.Scheme == "https" || u.Scheme == "http") && u.Host != "" && u.User == nil && len(in.URL) < 2000 {
		a.url = u.String() // else it might run something in the page
	}
	for _, s := range in.Systems {
		a.systems = append(a.systems, rules.System{Name: said(s.Name, mostName), Refrigerant: said(s.Refrigerant, mostName)})
	}
	for _, p := range in.Points {
		q, ok := sensors.QuantityOf(p.Measures)
		name := said(p.Name, mostName)
		if !ok || a.named[name] || name == "" {
			continue
		}
		a.named[name] = true
		a.points = append(a.points, sensors.Point{Name: name, System: said(p.System, mostName), Quantity: q,
			Role: said(p.Role, mostName), Unit: said(p.Unit, 20), Every: spell(p.Every), SilentAfter: spell(p.Silent)})
	}
	return a, nil
}

func readClock(payload []byte) (*clock, error) {
	var in struct {
		At     string
		Proven bool
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	c := &clock{moment(in.At), in.Proven}
	if c.at.IsZero() {
		return nil, errors.New("a clock without its time")
	}
	return c, nil
}

// object is what steps, flags and verdicts have in common.
type object struct {
	At, System, Step, Text string
	Points                 []string
	Values                 map[string]float64
}

// values are the figures in the order of their keys.
func (o object) values() []rules.Value {
	var vs []rules.Value
	for _, key := range slices.Sorted(maps.Keys(o.Values)) {
		if v := o.Values[key]; len(vs) < mostValues && len(key) < mostName && !math.IsNaN(v) && !math.IsInf(v, 0) {
			vs = append(vs, rules.Value{Key: said(key, mostName), Number: v})
		}
	}
	return vs
}

func (o object) points() []string {
	var ps []string
	for _, p := range o.Points[:min(len(o.Points), mostValues)] {
		ps = append(ps, said(p, mostName))
	}
	return ps
}

func readStep(payload []byte) (*step, error) {
	var in struct {
		object
		Told, Sure, Measures string
		FigureAt             string `json:"figure_at"`
		LimitSource          string `json:"limit_source"`
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	s := &step{system: said(in.System, mostName), name: said(in.Step, mostName), begun: moment(in.At), told: moment(in.Told),
		text: said(in.Text, mostText), sure: said(in.Sure, mostName), figureAt: moment(in.FigureAt),
		elapsed: spell(in.Values["elapsed_s"]), lasts: spell(in.Values["lasts_s"]), left: spell(in.Values["left_s"])}
	if s.name == "" || s.begun.IsZero() {
		return nil, errors.New("a step without its name or its begin")
	}
	if ps := in.points(); len(ps) > 0 {
		s.point = ps[0]
	}
	s.quantity, _ = sensors.QuantityOf(in.Measures)
	for _, v := range in.values() {
		switch name, _, _ := strings.Cut(v.Key, "_"); {
		case name == "figure" && s.quantity != sensors.NoQuantity && s.quantity.Plausible(v.Number):
			s.figure, s.hasFigure = v.Number, true
		case name == "limit" && s.quantity != sensors.NoQuantity && s.quantity.Plausible(v.Number):
			s.limit = &rules.Setting{Value: v.Number, Source: said(in.LimitSource, mostText)}
		case v.Key != "elapsed_s" && v.Key != "lasts_s" && v.Key != "left_s" && name != "figure" && name != "limit":
			s.values = append(s.values, v)
		}
	}
	return s, nil
}

var urgencies = map[string]rules.Urgency{"note": rules.Note, "tell": rules.Tell, "wake": rules.Wake}

func readFlag(payload []byte) (*flag, error) {
	var in struct {
		object
		Rule, State, Urgency, Subject, First, By string
		Acknowledged                             bool
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	urgency, ok := urgencies[in.Urgency]
	if !ok || in.Rule == "" {
		return nil, errors.New("a flag without its name or its urgency")
	}
	f := &flag{at: moment(in.At), first: moment(in.First), acknowledged: in.Acknowledged, by: said(in.By, mostName),
		Finding: rules.Finding{Edge: rules.Raised, Flag: said(in.Rule, mostName), System: said(in.System, mostName), Step: said(in.Step, mostName),
			Subject: said(in.Subject, mostName), Urgency: urgency, Points: in.points(), Text: said(in.Text, mostText), Values: in.values()}}
	if f.first.IsZero() {
		f.first = f.at
	}
	return f, nil
}

func readVerdict(payload []byte) (*verdict, error) {
	var in struct {
		object
		Unit, Result, Cause string
		Accepted            bool
		By                  string `json:"accepted_by"`
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	if in.Result != rules.Passed && in.Result != rules.NotPassed && in.Result != rules.NotProven || in.Step == "" {
		return nil, errors.New("a verdict without its step or its result")
	}
	return &verdict{at: moment(in.At), accepted: in.Accepted, by: said(in.By, mostName),
		Finding: rules.Finding{Edge: rules.Given, Flag: said(in.Step, mostName), Step: said(in.Step, mostName), System: said(in.System, mostName),
			Unit: said(in.Unit, mostName), Result: in.Result, Cause: said(in.Cause, mostName), Text: said(in.Text, mostText), Values: in.values()}}, nil
}

// readLatest reads a SenML pack (RFC 8428) of values with times of their own.
func readLatest(payload []byte, root string) ([]reading, error) {
	var in []struct {
		BaseName string  `json:"bn"`
		Name     string  `json:"n"`
		Unit     string  `json:"u"`
		Time     float64 `json:"t"`
		Value    float64 `json:"v"`
	}
	if err := json.Unmarshal(payload, &in); err != nil {
		return nil, err
	}
	if len(in) > mostPoints {
		return nil, fmt.Errorf("a pack of %d readings", len(in))
	}
	var rs []reading
	base := ""
	for _, r := range in {
		if r.BaseName != "" {
			base = r.BaseName
		}
		name, ours := strings.CutPrefix(base+r.Name, root)
		at := moment(time.UnixMilli(int64(min(max(r.Time, 0), 1e11) * 1e3)).UTC().Format(time.RFC3339Nano))
		if !ours || name == "" || at.IsZero() {
			continue
		}
		rs = append(rs, reading{said(name, mostName), said(r.Unit, 20), at, r.Value})
	}
	return rs, nil
}
