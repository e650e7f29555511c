package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// A guided check of an instrument against something known: crushed ice, open
// air, a known weight, another instrument. The page says how, watches the
// reading until it is steady, shows the difference, and records what was found
// as a calibrated mark. It works without script: one looks again.

// methods are the checks that fit what a point measures, the best one first. A
// vacuum gauge has only another gauge: there is no known vacuum on a site, and
// in open air it is far off its scale.
func methods(q sensors.Quantity) []string {
	switch q {
	case sensors.Temperature:
		return []string{"ice", "reference"}
	case sensors.Pressure:
		return []string{"air", "reference"}
	case sensors.Mass:
		return []string{"weight"}
	case sensors.Contact:
		return nil
	}
	return []string{"reference"}
}

// knownAt is what is true in a method without a figure of its own: melting ice
// (0.00 C within 0.01 K where it is made with care, ASTM E563, from memory),
// and no gauge pressure in open air, by definition.
const knownAt = 0.0

// steadyWithin is how far a reading may drift over the time looked at and still
// stand; of a vacuum a part of its value. Our choice: a fifth of what the trade
// asks of such an instrument (0.5 K, 1 % of a 4 MPa range, 50 g), common practice.
var steadyWithin = map[sensors.Quantity]float64{
	sensors.Temperature: 0.1, sensors.Pressure: 7e3, sensors.AbsolutePressure: 500, sensors.Vacuum: 0.05,
	sensors.Mass: 0.01, sensors.Humidity: 0.01, sensors.Current: 0.05, sensors.Voltage: 0.05,
}

const (
	steadyFor      = time.Minute
	steadyReadings = 5
	fairPart       = 0.25 // of the heaviest load: a gain from a smaller weight says more of the scale's digit than of its gain
	againstStale   = 10 * time.Minute
)

// steady is what an instrument showed of late.
type steady struct {
	Mean  float64 // as it shows, SI
	Drift float64 // over the time looked at
	N     int
	Span  time.Duration
	Still bool // what was seen of it does not drift
	OK    bool // still, and for long enough
}

// steadiness fits a line through the last minute of what a point showed (six
// of its readings where that is longer).
func (s *screens) steadiness(ctx context.Context, snap Snapshot, p Point) (x steady, err error) {
	window := max(steadyFor, 6*p.Every)
	to := snap.Wall.UnixMilli()
	samples, err := s.box.Curve(ctx, p.Name, to-window.Milliseconds(), to, 2000)
	var t, v []float64
	for _, m := range samples {
		if m.Health.Usable() {
			t, v = append(t, float64(m.WallMs-to)/1e3), append(v, shownOf(p.Holds.Fix, m.Value))
		}
	}
	if x.N = len(v); x.N < steadyReadings || x.N < len(samples) {
		return x, err
	}
	x.Span = time.Duration((t[x.N-1] - t[0]) * float64(time.Second))
	var mt, stt, stv float64
	for i := range v {
		mt += t[i] / float64(x.N)
		x.Mean += v[i] / float64(x.N)
	}
	for i := range v {
		stt += (t[i] - mt) * (t[i] - mt)
		stv += (t[i] - mt) * (v[i] - x.Mean)
	}
	if stt > 0 {
		x.Drift = stv / stt * x.Span.Seconds()
	}
	may := steadyWithin[p.Quantity]
	if p.Quantity == sensors.Vacuum {
		may *= x.Mean
	}
	x.Mean = p.Quantity.Round(x.Mean)
	x.Still = math.Abs(x.Drift) <= may
	x.OK = x.Span >= window*2/3 && x.Still
	return x, err
}

// shownOf is what the instrument showed of a corrected value.
func shownOf(fix *rules.Correction, v float64) float64 {
	if fix == nil {
		return v
	}
	return (v - fix.Offset) / fix.Gain
}

// againstView is the page of one check.
type againstView struct {
	Point, Role string
	With        string
	Title       string
	How         []string
	Caution     string
	Others      []linkRow // the other methods
	Stage       string    // of a weight: empty, loaded, again, found; else found
	Name        string    // of the hidden field that carries what is shown
	Now         string    // what it shows
	Believed    string    // what that is read as, where it is corrected
	Steady      string
	OK          bool
	Shown       string // SI, for the form
	At          string // Unix ms
	Apart       string // how far off it is, where what is true is known
	Asks        bool   // for what is true
	Units       []option
	True        string
	Weight      url.Values // what the stages before have found
	Found       string     // of a weight
	MayCorrect  bool
	Back, Again string
}

// Hidden lists the values that the stages before have found.
func (v againstView) Hidden() (fields []option) {
	for _, key := range []string{"empty", "weight", "loaded", "again"} {
		if x := v.Weight.Get(key); x != "" {
			fields = append(fields, option{Value: x, Title: key})
		}
	}
	return fields
}

func (s *screens) againstPage(ctx context.Context, snap Snapshot, frame view, p Point, q url.Values) (v againstView, ok bool) {
	fits := methods(p.Quantity)
	with := q.Get("with")
	if with == "" && len(fits) > 0 {
		with = fits[0]
	}
	if !slices.Contains(fits, with) {
		return v, false
	}
	back := "/points/" + url.PathEscape(p.Name)
	v = againstView{Point: p.Name, Role: s.words.name("role", p.Role), With: with, Back: back, Stage: "found", Name: "shown", MayCorrect: true,
		Title: s.words.say("against.title."+with, p.Name), How: strings.Split(strings.TrimSpace(s.words["against.how."+with]), "\n"), Caution: s.words["against.caution."+with],
		Asks: with == "reference", True: q.Get("true")}
	if p.Quantity == sensors.Vacuum {
		v.How = append([]string{s.words.say("against.vacuum")}, v.How...)
	}
	for _, m := range fits {
		if m != with {
			v.Others = append(v.Others, linkRow{back + "/against?with=" + m, s.words.say("against.title."+m, p.Name)})
		}
	}
	for _, u := range unitsFor(p) {
		v.Units = append(v.Units, option{u, cmp.Or(s.words["unit."+u], u), u == cmp.Or(q.Get("unit"), p.Unit)})
	}
	x, err := s.steadiness(ctx, snap, p)
	if err != nil {
		s.notRead(ctx, "a reading could not be looked at", "point", p.Name, "error", err)
	}
	s.shows(&v, snap, frame.Units, p, x)
	again := url.Values{"with": {with}}
	if with == "weight" {
		s.weighed(ctx, &v, snap, p, q)
		for _, x := range v.Hidden() {
			again.Set(x.Title, x.Value)
		}
		if len(again) > 1 {
			again.Set("steady", "yes")
		}
	}
	v.Again = back + "/against?" + again.Encode()
	return v, true
}

// unitsFor are those in which what is true may be typed: the instrument's own first.
func unitsFor(p Point) (us []string) {
	us = append(us, p.Unit)
	for _, u := range map[sensors.Quantity][]string{
		sensors.Temperature: {"C", "F"}, sensors.Mass: {"kg", "lb"}, sensors.Pressure: {"psi", "kPa", "bar"},
		sensors.AbsolutePressure: {"hPa", "kPa", "psi"}, sensors.Vacuum: {"micron", "Pa"}, sensors.Humidity: {"%"},
		sensors.Current: {"A"}, sensors.Voltage: {"V"},
	}[p.Quantity] {
		if !slices.Contains(us, u) {
			us = append(us, u)
		}
	}
	return us
}

// shows says what the instrument shows and whether it stands.
func (s *screens) shows(v *againstView, snap Snapshot, c choice, p Point, x steady) {
	v.OK, v.At = x.OK, fmt.Sprint(snap.Wall.UnixMilli())
	switch {
	case x.N < steadyReadings || p.Health.Grade == sensors.Failed:
		v.Steady = s.words.say("against.too-few", x.N, s.words.span(max(steadyFor, 6*p.Every)))
		return
	case x.OK:
		v.Steady = s.words.say("against.steady", s.words.span(x.Span))
	case x.Still:
		v.Steady = s.words.say("against.short", s.words.span(x.Span), s.words.span(max(steadyFor, 6*p.Every)*2/3))
	default:
		v.Steady = s.words.say("against.moves", rules.Difference(x.Drift, p.Quantity), s.words.span(x.Span))
	}
	v.Shown = strconv.FormatFloat(x.Mean, 'f', -1, 64)
	v.Now, _ = c.both(p.Quantity, p.Unit, x.Mean)
	believed := p.Holds.Fix.Value(p.Quantity, x.Mean)
	if p.Holds.Fix != nil {
		main, _ := c.both(p.Quantity, p.Unit, believed)
		v.Believed = s.words.say("against.believed", main, p.Holds.Fix.Words(p.Quantity))
	}
	if v.With == "ice" || v.With == "air" {
		v.Apart = s.words.say("against.apart", rules.Difference(believed-knownAt, p.Quantity))
	}
}

// weighed leads through the check of a scale: empty, with the weight, empty again.
func (s *screens) weighed(ctx context.Context, v *againstView, snap Snapshot, p Point, q url.Values) {
	v.Weight = url.Values{}
	v.Asks, v.MayCorrect = false, false
	stages := []string{"empty", "loaded", "again"}
	for i, stage := range stages {
		x, err := strconv.ParseFloat(q.Get(stage), 64)
		newest := i == len(stages)-1 || q.Get(stages[i+1]) == ""
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || newest && q.Get("steady") != "yes" { // it moved when it was taken
			v.Stage, v.Name, v.Asks = stage, stage, stage == "loaded"
			return
		}
		v.Weight.Set(stage, q.Get(stage))
		if stage == "loaded" {
			weight, err := knownWeight(q)
			if err != nil {
				v.Stage, v.Name, v.Asks = stage, stage, true
				v.Weight.Del(stage)
				return
			}
			v.Weight.Set("weight", strconv.FormatFloat(weight, 'f', -1, 64))
		}
	}
	w := loadingOf(v.Weight)
	heaviest := s.heaviest(ctx, snap, p)
	apart, back := rules.Difference(w.span()-w.weight, p.Quantity), rules.Difference(w.again-w.empty, p.Quantity)
	switch {
	case math.Abs(w.again-w.empty) > 5*steadyWithin[sensors.Mass]:
		v.Found, v.OK = s.words.say("against.not-back", back), false
	case w.weight < fairPart*heaviest:
		v.Found, v.OK = s.words.say("against.small-weight", apart, back, fmt.Sprintf("%.3g kg", fairPart*heaviest)), true
	default:
		v.Found, v.OK, v.MayCorrect = s.words.say("against.weighed", apart, back), true, true
	}
	v.Shown = v.Weight.Get("loaded")
}

type loading struct{ empty, loaded, again, weight float64 }

func loadingOf(q url.Values) loading {
	number := func(key string) float64 { x, _ := strconv.ParseFloat(q.Get(key), 64); return x } // checked where they came in
	return loading{number("empty"), number("loaded"), number("again"), number("weight")}
}

// span is what the weight made of the scale.
func (w loading) span() float64 { return w.loaded - w.nothing() }

// nothing is what it shows without a load.
func (w loading) nothing() float64 { return (w.empty + w.again) / 2 }

// knownWeight is the weight in kg: typed with its unit, or kept from the stage before.
func knownWeight(q url.Values) (float64, error) {
	if text := strings.ReplaceAll(q.Get("true"), ",", "."); text != "" {
		kg, err := sensors.Mass.Parse(text + " " + q.Get("unit"))
		if err == nil && !(kg > 0 && kg <= 1000) {
			err = fmt.Errorf("%g kg is no weight to check a scale by", kg)
		}
		return kg, err
	}
	kg, err := strconv.ParseFloat(q.Get("weight"), 64)
	if err == nil && !(kg > 0 && kg <= 1000) {
		err = fmt.Errorf("%g kg is no weight to check a scale by", kg)
	}
	return kg, err
}

// heaviest is the greatest load that the scale has had in the last day, or is to weigh.
func (s *screens) heaviest(ctx context.Context, snap Snapshot, p Point) (kg float64) {
	for _, sys := range snap.Site.Systems {
		if p.System == "" || p.System == sys.Name {
			kg = max(kg, snap.Site.Settings(sys.Name, "weigh-in")["target"].Value)
		}
	}
	cs, err := s.box.Columns(ctx, []string{p.Name}, snap.Wall.Add(-24*time.Hour).UnixMilli(), snap.Wall.UnixMilli(), 200)
	if err != nil || len(cs.Points) == 0 {
		return kg
	}
	for _, c := range cs.Points[0] {
		if c.Count > 0 {
			kg = max(kg, c.High)
		}
	}
	return kg
}

// postAgainst records what a check found.
func (s *screens) postAgainst(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.refuse(w, r, http.StatusBadRequest, "refused.form")
		return
	}
	snap := s.box.Now()
	p, ok := snap.point(r.PathValue("point"))
	if !ok || !slices.Contains(methods(p.Quantity), r.PostForm.Get("with")) {
		s.refuse(w, r, http.StatusNotFound, "refused.page")
		return
	}
	found, problem := s.foundBy(snap, p, r.PostForm)
	if problem != "" {
		v := s.frame(r, "against", snap)
		v.Who = v.Who.or(tidy(r.PostForm.Get("by"), mostName))
		body, _ := s.againstPage(r.Context(), snap, v, p, r.PostForm)
		v.Title, v.Problem, v.Body = body.Title, problem, body
		v.Query = url.Values{"page": {"against"}, "point": {p.Name}, "with": {body.With}}.Encode()
		s.write(w, http.StatusUnprocessableEntity, "against", v)
		return
	}
	told := rules.Told{Kind: "mark", Name: "calibrated", Note: found.Text(p.Quantity), By: found.By}
	if found.What == rules.Corrected && found.Fix.Gain == 1 {
		told.Value, told.Unit = found.Fix.Offset, p.Quantity.SI()
		if p.Quantity == sensors.Temperature {
			told.Unit = "K"
		}
	}
	s.record(w, r, "mark", "/points/"+url.PathEscape(p.Name), told)
}

// foundBy makes of a form what it says of the instrument, or says what is wrong.
func (s *screens) foundBy(snap Snapshot, p Point, f url.Values) (c rules.Calibration, problem string) {
	at, err := strconv.ParseInt(f.Get("at"), 10, 64)
	pair := rules.Shown{True: knownAt}
	var err2 error
	if pair.Shown, err2 = strconv.ParseFloat(f.Get("shown"), 64); err != nil || err2 != nil || !p.Quantity.Plausible(pair.Shown) {
		return c, s.words.say("problem.against-nothing")
	}
	if f.Get("steady") != "yes" || snap.Wall.Sub(time.UnixMilli(at)) > againstStale {
		return c, s.words.say("problem.against-moves")
	}
	c = rules.Calibration{Point: p.Name, By: tidy(f.Get("by"), mostName), Remark: tidy(f.Get("remark"), mostNote), Until: f.Get("until"),
		Against: s.words["against.what."+f.Get("with")], Pairs: []rules.Shown{pair}}
	switch f.Get("with") {
	case "reference":
		c.Against = tidy(f.Get("against"), mostName)
		text := strings.ReplaceAll(tidy(f.Get("true"), mostName), ",", ".")
		if c.Pairs[0].True, err = p.Quantity.Parse(text + " " + f.Get("unit")); err != nil || c.Against == "" {
			return c, s.words.say("problem.against-true")
		}
		c.Pairs[0].True = p.Quantity.Round(c.Pairs[0].True)
	case "weight":
		x := loadingOf(f)
		if x.weight <= 0 {
			return c, s.words.say("problem.against-true")
		}
		c.Against = s.words.say("against.what.weight", fmt.Sprintf("%g kg", x.weight))
		c.Pairs = []rules.Shown{{Shown: x.loaded, True: x.weight}, {Shown: p.Quantity.Round(x.nothing()), True: 0}}
	}
	return s.asFound(p, f, c)
}

// asFound lets the rules read what the form says, so that nothing is recorded that they could not use.
func (s *screens) asFound(p Point, f url.Values, c rules.Calibration) (_ rules.Calibration, problem string) {
	c.What, c.Fix = rules.Corrected, rules.Correction{Gain: 1}
	if f.Get("do") == "checked" { // as it is read, it is right within what was found, rounded up
		c.What = rules.AsFound
		apart := 0.0
		for _, x := range c.Pairs {
			apart = max(apart, math.Abs(p.Holds.Fix.Value(p.Quantity, x.Shown)-x.True))
		}
		if f.Get("with") == "weight" { // a load is the difference to the empty scale
			x := loadingOf(f)
			apart = math.Abs(p.Holds.Fix.Value(p.Quantity, x.loaded) - p.Holds.Fix.Value(p.Quantity, x.nothing()) - x.weight)
		}
		least := steadyWithin[p.Quantity]
		if p.Quantity == sensors.Vacuum {
			least *= c.Pairs[0].True
		}
		c.Within, c.Pairs = rules.Num(least*max(1, math.Ceil(apart/least))), nil
	}
	read, err := rules.ReadCalibration(&rules.Told{Kind: "mark", Name: "calibrated", Note: c.Text(p.Quantity)}, func(string) sensors.Quantity { return p.Quantity })
	if err != nil {
		return c, s.words.say("problem.against-refused", err.Error())
	}
	return read, ""
}
