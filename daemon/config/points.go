package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

const (
	usualEvery  = 10 * time.Second // where a point does not say
	leastSilent = 10 * time.Second
)

// What a role's point may measure. Power may be sensed by a relay's contact, a
// current clamp or a voltage; a drain by a float switch or a level signal.
var roleFits = map[string][]sensors.Quantity{
	"vacuum-gauge":      {sensors.Vacuum},
	"charging-scale":    {sensors.Mass},
	"test-pressure":     {sensors.Pressure},
	"pipe-air":          {sensors.Temperature},
	"barometer":         {sensors.AbsolutePressure},
	"outdoor-air":       {sensors.Temperature},
	"supply-air":        {sensors.Temperature},
	"return-air":        {sensors.Temperature},
	"return-wet-bulb":   {sensors.Temperature},
	"return-humidity":   {sensors.Humidity},
	"liquid-line":       {sensors.Temperature},
	"suction-line":      {sensors.Temperature},
	"suction-pressure":  {sensors.Pressure},
	"liquid-pressure":   {sensors.Pressure},
	"oil-sump":          {sensors.Temperature},
	"discharge-line":    {sensors.Temperature},
	"absolute-pressure": {sensors.AbsolutePressure},
	"outdoor-power":     {sensors.Contact, sensors.Current, sensors.Voltage},
	"indoor-power":      {sensors.Contact, sensors.Current, sensors.Voltage},
	"drain":             {sensors.Contact, sensors.Current, sensors.Voltage},
}

// common roles stand for the whole site: with several systems such a point need not name one. A scale is
// carried from one system to the next.
var common = []string{"", "barometer", "outdoor-air", "pipe-air", "outdoor-power", "indoor-power", "charging-scale"}

// single roles may stand once in a system: one ledger runs over one scale.
var single = []string{"charging-scale"}

func (r *reader) readPoints(n sensors.Node) {
	r.points = map[string]int{}
	for _, item := range r.list(n, "points") {
		p := r.readPoint(item)
		if _, twice := r.points[p.Name]; !twice {
			r.points[p.Name] = len(r.site.Points)
		}
		r.site.Points = append(r.site.Points, p)
		r.places = append(r.places, item)
	}
}

// readDuring reads how often a point is read while a step is under way.
func (r *reader) readDuring(d *sensors.Decoder, p *sensors.Point) {
	n, given := d.Given("during")
	if !given {
		return
	}
	if n.Kind != sensors.Mapping {
		d.Fail(n, "during should be a mapping of steps to times", "write during: {vacuum-hold: 1s}")
		return
	}
	if p.Source == "mqtt" {
		d.Fail(n, "during: an instrument that publishes keeps its own pace", "set it at the instrument; during is for what is wired to the box")
	}
	in := r.decode(n)
	for _, f := range n.Fields {
		if !slices.Contains(rules.StepNames(), f.Key) {
			r.faults = append(r.faults, sensors.Fault{File: n.File, Line: f.Line, Column: f.Col,
				Problem: fmt.Sprintf("during: there is no step %q", f.Key), Want: sensors.Known(f.Key, rules.StepNames(), "")})
			in.Node(f.Key)
			continue
		}
		every := in.Time(f.Key, p.Every)
		if every <= 0 {
			d.Fail(f.Value, fmt.Sprintf("during: %s must be more than nothing", f.Key), "write how often it is read in that step, such as 1s")
			continue
		}
		if every > p.SilentAfter {
			d.Fail(f.Value, fmt.Sprintf("during: %s is longer than silent_after (%s)", every, p.SilentAfter), "a point that is read so seldom would count as silent")
		}
		p.During = append(p.During, sensors.Pace{Step: f.Key, Every: every})
	}
}

func (r *reader) readPoint(n sensors.Node) sensors.Point {
	d := r.decode(n)
	d.Required("name")
	p := sensors.Point{Name: r.name(d.Node("name")), Role: d.OneOf("role", "", sensors.Roles...)}
	p.Quantity = r.quantity(d)
	r.readUnitOf(d, &p)
	r.readPace(d, &p)
	r.readSystemOf(d, &p)
	r.readVolume(d, &p)
	r.readInstrument(d, &p)
	r.readSource(d, &p)
	r.readDuring(d, &p)
	d.Done()
	if fits := roleFits[p.Role]; fits != nil && p.Quantity != sensors.NoQuantity && !slices.Contains(fits, p.Quantity) {
		d.Fail(d.Node("role"), fmt.Sprintf("a point of role %s cannot measure %s", p.Role, p.Quantity), "write measures: "+words(fits))
	}
	return p
}

func words(qs []sensors.Quantity) string {
	var ws []string
	for _, q := range qs {
		ws = append(ws, q.String())
	}
	return strings.Join(ws, " or ")
}

func (r *reader) quantity(d *sensors.Decoder) sensors.Quantity {
	var known []string
	for _, q := range sensors.Quantities() {
		known = append(known, q.String())
	}
	if n := d.Node("measures"); n.Kind == sensors.Nothing {
		d.Fail(n, "measures is missing", "add measures: one of "+strings.Join(known, ", "))
		return sensors.NoQuantity
	}
	q, _ := sensors.QuantityOf(d.OneOf("measures", "", known...))
	return q
}

func (r *reader) readUnitOf(d *sensors.Decoder, p *sensors.Point) {
	p.Unit = d.Text("unit", p.Quantity.SI())
	n := d.Node("unit")
	if n.Kind != sensors.Scalar || p.Quantity == sensors.NoQuantity {
		return
	}
	if _, err := p.Quantity.ToSI(0, p.Unit); err != nil {
		d.Fail(n, fmt.Sprintf("unit: %v", err), "")
		p.Unit = p.Quantity.SI()
	}
}

func (r *reader) readPace(d *sensors.Decoder, p *sensors.Point) {
	p.Every = d.Time("every", usualEvery)
	if p.Every <= 0 {
		d.Fail(d.Node("every"), "every must be more than nothing", "write how often a reading is expected, such as 10s")
		p.Every = usualEvery
	}
	p.SilentAfter = d.Time("silent_after", max(5*p.Every, leastSilent))
	if p.SilentAfter < p.Every {
		d.Fail(d.Node("silent_after"), fmt.Sprintf("silent_after: %s is shorter than every (%s)", p.SilentAfter, p.Every), "a point cannot be silent before its next reading is due")
		p.SilentAfter = max(5*p.Every, leastSilent)
	}
}

// inPipe is the pipework that one clamp can stand for.
var inPipe = bounds{sensors.Volumes, 100, "the volume of pipework", "20 l"}

// readVolume reads how much pipework a clamp stands for, which weighs it against the others.
func (r *reader) readVolume(d *sensors.Decoder, p *sensors.Point) {
	n, given := d.Given("volume")
	if !given {
		return
	}
	p.VolumeM3 = r.amount(d, "volume", inPipe)
	if p.Role != "pipe-air" {
		d.Fail(n, "volume: only a point of role pipe-air stands for a volume of pipework", "leave it out here")
	}
}

// readInstrument reads what an instrument's papers say. A correction is no part
// of it: that is told at the box, with who found it and against what.
func (r *reader) readInstrument(d *sensors.Decoder, p *sensors.Point) {
	n, given := d.Given("instrument")
	if !given {
		return
	}
	if n.Kind != sensors.Mapping {
		d.Fail(n, "instrument should be a mapping", "write instrument: {serial: 4711, calibrated: 2026-03-01, valid_until: 2027-03-01, against: a laboratory}")
		return
	}
	in := r.decode(n)
	day := func(key string) string {
		text := in.Text(key, "")
		if _, err := time.Parse(time.DateOnly, text); err != nil && text != "" {
			in.Fail(in.Node(key), fmt.Sprintf("%s: %q is not a day", key, text), "write it as 2027-03-01")
			return ""
		}
		return text
	}
	x := sensors.Instrument{Serial: in.Text("serial", ""), Against: in.Text("against", ""), Calibrated: day("calibrated"), ValidUntil: day("valid_until")}
	if x.ValidUntil != "" && x.ValidUntil < x.Calibrated {
		in.Fail(in.Node("valid_until"), fmt.Sprintf("valid_until: %s lies before the calibration of %s", x.ValidUntil, x.Calibrated), "look at its certificate")
	}
	in.Done()
	p.Instrument = x
}

func (r *reader) readSystemOf(d *sensors.Decoder, p *sensors.Point) {
	n := d.Node("system")
	var known []string
	for _, s := range r.site.Systems {
		known = append(known, s.Name)
	}
	if n.Kind == sensors.Nothing {
		if len(known) == 1 {
			p.System = known[0]
		}
		return
	}
	p.System = d.Text("system", "")
	if !slices.Contains(known, p.System) && !r.broken {
		r.fault(n, fmt.Sprintf("there is no system %q", p.System), sensors.Known(p.System, known, "add it under systems"))
	}
}

// readSource finds the one key that says where the readings come from.
func (r *reader) readSource(d *sensors.Decoder, p *sensors.Point) {
	for _, s := range sources {
		n, given := d.Given(s)
		if !given {
			continue
		}
		if p.Source != "" {
			d.Fail(n, fmt.Sprintf("a point has one source, and this one has %s already", p.Source), "keep one of "+strings.Join(sources, ", "))
			continue
		}
		p.Source, p.Settings = s, n
		if !slices.ContainsFunc(r.drivers, func(d sensors.Driver) bool { return d.Name == s }) {
			var built []string
			for _, d := range r.drivers {
				built = append(built, d.Name)
			}
			d.Fail(n, fmt.Sprintf("%s is not built into this version", s), "this version has "+strings.Join(built, ", ")+"; without a source a point can still be replayed")
		}
	}
}

// unitRoles are the roles that a unit's points may have; one without a role gets the first.
var unitRoles = map[string][]string{
	"supply": {"supply-air"}, "return": {"return-air"}, "wet_bulb": {"return-wet-bulb"}, "humidity": {"return-humidity"},
}

// checkReferences holds the indoor units' points against the list of points,
// and gives each the system of its unit.
func (r *reader) checkReferences() {
	var known []string
	for _, p := range r.site.Points {
		known = append(known, p.Name)
	}
	supplies := map[string]reference{}
	for _, ref := range r.refs {
		if first, twice := supplies[ref.node.Text]; twice {
			r.fault(ref.node, fmt.Sprintf("%s: the point %q is a unit's supply already", ref.key, ref.node.Text), fmt.Sprintf("line %d has it: each unit's supply is measured by itself", first.node.Line))
			continue
		}
		if ref.key == "supply" {
			supplies[ref.node.Text] = ref
		}
		i, ok := r.points[ref.node.Text]
		if !ok {
			if !r.broken {
				r.fault(ref.node, fmt.Sprintf("%s: there is no point %q", ref.key, ref.node.Text), sensors.Known(ref.node.Text, known, "add it under points"))
			}
			continue
		}
		p, system := &r.site.Points[i], r.site.Systems[ref.system].Name
		if p.Quantity != sensors.NoQuantity && !slices.Contains(ref.fits, p.Quantity) {
			r.fault(ref.node, fmt.Sprintf("%s: the point %q measures %s", ref.key, p.Name, p.Quantity), "name one that measures "+words(ref.fits))
		}
		if want := unitRoles[ref.key]; p.Role != "" && !slices.Contains(want, p.Role) && slices.Contains(ref.fits, p.Quantity) && slices.Contains(roleFits[p.Role], p.Quantity) {
			r.fault(ref.node, fmt.Sprintf("%s: the point %q has the role %s", ref.key, p.Name, p.Role), "name one of role "+strings.Join(want, " or ")+", or of none")
		}
		if p.System == "" {
			p.System = system
		} else if p.System != system {
			r.fault(ref.node, fmt.Sprintf("%s: the point %q is of system %q", ref.key, p.Name, p.System), fmt.Sprintf("name one of system %q", system))
		}
	}
}

// checkRoles looks at the roles over all points.
func (r *reader) checkRoles() {
	type key struct{ system, role string }
	first := map[key]sensors.Node{}
	for n, p := range r.site.Points {
		place := r.places[n]
		if len(r.site.Systems) > 1 && p.System == "" && !slices.Contains(common, p.Role) && !r.broken {
			r.fault(place, fmt.Sprintf("the point %q has the role %s, but of which system?", p.Name, p.Role), "add system: its name")
		}
		if !slices.Contains(single, p.Role) {
			continue
		}
		clash := []string{p.System, ""} // one that names no system serves them all
		if p.System == "" {
			for _, s := range r.site.Systems {
				clash = append(clash, s.Name)
			}
		}
		i := slices.IndexFunc(clash, func(system string) bool { _, twice := first[key{system, p.Role}]; return twice })
		if i >= 0 {
			r.fault(child(place, "role"), fmt.Sprintf("a second %s in one system", p.Role), fmt.Sprintf("line %d has one already: the ledger runs over one", first[key{clash[i], p.Role}].Line))
			continue
		}
		first[key{p.System, p.Role}] = child(place, "role")
	}
}
