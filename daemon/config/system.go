package config

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// Equipment is what a system is made of, as far as the judges need not know it.
type Equipment struct {
	Takeoff      string // path of the take-off CSV, resolved beside the site file; empty: none
	OutdoorUnits []OutdoorUnit

	takeoff sensors.Node
}

// OutdoorUnit is one outdoor unit with what its maker filled in.
type OutdoorUnit struct {
	Name            string
	FactoryChargeKg float64
}

// Refrigerants are those the physics has tables for.
var Refrigerants = []string{"R-410A", "R-32", "R-454B", "R-407C", "R-134a"}

func (r *reader) readSystems(one, many sensors.Node) {
	if one.Kind != sensors.Nothing && many.Kind != sensors.Nothing {
		r.fault(many, "both system and systems are given", "keep one of them")
	}
	for _, n := range r.list(many, "systems") {
		d := r.decode(n)
		d.Required("name")
		r.readSystem(n, d)
	}
	if many.Kind == sensors.Nothing { // a site may leave it out: then nothing is known of its one system
		r.readSystem(one, r.decode(one))
	}
}

func (r *reader) readSystem(n sensors.Node, d *sensors.Decoder) {
	index := len(r.site.Systems)
	s := rules.System{Name: r.name(d.Node("name"))}
	if n.Line != 0 {
		s.Refrigerant = r.refrigerant(d)
	}
	s.HeatRecovery = d.Bool("heat_recovery", false)
	e := Equipment{takeoff: d.Node("takeoff")}
	if t := d.Text("takeoff", ""); t != "" {
		e.Takeoff = t
		if !filepath.IsAbs(t) {
			e.Takeoff = filepath.Join(filepath.Dir(r.site.File), t)
		}
	}
	s.RoomLimitKgM3 = r.amount(d, "room_limit", inRoom)
	s.ExtraKg = r.amount(d, "extra_charge", refrigerantMass)
	s.GWP, s.GWPSource = r.warming(d.Node("gwp"))
	outdoor, branch, indoor := d.Node("outdoor_units"), d.Node("branch_units"), d.Node("indoor_units")
	steps := d.Node("steps")
	d.Done()

	for _, u := range r.list(outdoor, "outdoor_units") {
		d := r.decode(u)
		d.Required("name")
		given := d.Node("factory_charge")
		o := OutdoorUnit{r.name(d.Node("name")), r.amount(d, "factory_charge", refrigerantMass)}
		e.OutdoorUnits = append(e.OutdoorUnits, o)
		s.Outdoor = append(s.Outdoor, o.Name)
		s.FactoryKg += o.FactoryChargeKg
		if given.Kind == sensors.Nothing {
			s.FactoryOpen = append(s.FactoryOpen, o.Name)
		}
		d.Done()
	}
	for _, u := range r.list(branch, "branch_units") {
		d := r.decode(u)
		d.Required("name")
		s.Branches = append(s.Branches, r.name(d.Node("name")))
		s.CoilsM3 += r.amount(d, "volume", inUnit)
		d.Done()
	}
	ports := map[string]sensors.Node{}
	for _, u := range r.list(indoor, "indoor_units") {
		unit, coilM3 := r.readUnit(u, index, s.Branches, ports)
		s.Units = append(s.Units, unit)
		s.CoilsM3 += coilM3
	}
	s.Steps = r.settings(steps, true)
	r.site.Systems = append(r.site.Systems, s)
	r.site.Equipment = append(r.site.Equipment, e)
}

func (r *reader) refrigerant(d *sensors.Decoder) string {
	n := d.Node("refrigerant")
	if n.Kind == sensors.Nothing && n.Line == 0 {
		d.Fail(n, "refrigerant is missing", "add refrigerant: one of "+strings.Join(Refrigerants, ", "))
		return ""
	}
	return d.OneOf("refrigerant", "", Refrigerants...)
}

// bounds is what an amount of a system can be, and an example for who wrote another.
type bounds struct {
	dim     sensors.Dimension
	most    float64 // SI; never below nothing
	noun    string
	example string
}

// Nobody fills a system with more than 10 t, no coil holds 1 m3 (common practice).
var (
	refrigerantMass = bounds{sensors.Masses, 1e4, "a mass of refrigerant", "9.3 kg"}
	ofRoom          = bounds{sensors.Volumes, 1e6, "the volume of a room", "45 m3"}
	inRoom          = bounds{sensors.Densities, 100, "a charge a volume of room", "0.44 kg/m3, by the standard that holds at the site"}
	inUnit          = bounds{sensors.Volumes, 1, "what a unit's coil and pipes hold", "1.8 l"}
)

// amount reads a quantity that may be left out: 0 then.
func (r *reader) amount(d *sensors.Decoder, key string, b bounds) float64 {
	n := d.Node(key)
	if n.Kind == sensors.Nothing {
		return 0
	}
	v, err := sensors.ParseQuantity(n.Text, b.dim)
	switch {
	case err != nil:
		d.Fail(n, fmt.Sprintf("%s: %v", key, err), "")
		return 0
	case !(v >= 0 && v <= b.most):
		d.Fail(n, fmt.Sprintf("%s: %q is not %s", key, n.Text, b.noun), "write it such as "+b.example)
		return 0
	}
	return v
}

// warmingMost is above every table's figure for any refrigerant (SF6, the highest there, is near 25,000).
const warmingMost = 30e3

// warming reads how much a refrigerant warms the climate. Tables differ and the
// law of the place says which holds, so the site says whose figure it is.
func (r *reader) warming(n sensors.Node) (gwp float64, source string) {
	if n.Kind == sensors.Nothing {
		return 0, ""
	}
	d := r.decode(n)
	text := d.Required("value", "2088")
	source = d.Required("source", "the table that the law of the place names, such as IPCC AR4")
	v := d.Node("value")
	d.Done()
	gwp, err := strconv.ParseFloat(text, 64)
	if text != "" && (err != nil || !(gwp > 0 && gwp <= warmingMost)) {
		d.Fail(v, fmt.Sprintf("value: %q is no GWP", text), "write a number such as 2088, how often CO2's effect over 100 years")
		return 0, ""
	}
	return gwp, source
}

func (r *reader) readUnit(n sensors.Node, system int, branches []string, ports map[string]sensors.Node) (u rules.Unit, coilM3 float64) {
	d := r.decode(n)
	d.Required("name")
	u = rules.Unit{Name: r.name(d.Node("name")), Room: d.Text("room", ""), Branch: d.Text("branch", "")}
	coilM3, u.RoomM3 = r.amount(d, "volume", inUnit), r.amount(d, "room_volume", ofRoom)
	b := d.Node("branch")
	if b.Kind == sensors.Scalar && !r.broken && !slices.Contains(branches, u.Branch) {
		r.fault(b, fmt.Sprintf("there is no branch unit %q", u.Branch), sensors.Known(u.Branch, branches, "add it under branch_units"))
	}
	if p := d.Node("port"); p.Kind != sensors.Nothing {
		u.Port = r.port(p, b, ports)
	}
	temperature, humidity := []sensors.Quantity{sensors.Temperature}, []sensors.Quantity{sensors.Humidity}
	u.Supply = r.refer(d, "supply", system, temperature)
	u.Return = r.refer(d, "return", system, temperature)
	u.WetBulb = r.refer(d, "wet_bulb", system, temperature)
	u.Humidity = r.refer(d, "humidity", system, humidity)
	d.Done()
	return u, coilM3
}

// port reads the number of a branch unit's port; two rooms cannot share one.
func (r *reader) port(p, branch sensors.Node, ports map[string]sensors.Node) int {
	v, err := strconv.ParseUint(p.Text, 10, 16)
	if err != nil || v < 1 || v > 64 {
		r.fault(p, fmt.Sprintf("port: %q is not a port", p.Text), "write a whole number from 1 to 64")
		return 0
	}
	if branch.Kind == sensors.Nothing {
		r.fault(p, "a port without a branch", "add branch: the branch unit it is on")
		return int(v)
	}
	key := fmt.Sprintf("%s/%d", branch.Text, v)
	if first, twice := ports[key]; twice {
		r.fault(p, fmt.Sprintf("port %d of %s is taken", v, branch.Text), fmt.Sprintf("line %d has it already", first.Line))
	}
	ports[key] = p
	return int(v)
}

func (r *reader) refer(d *sensors.Decoder, key string, system int, fits []sensors.Quantity) string {
	n := d.Node(key)
	if n.Kind != sensors.Nothing {
		r.refs = append(r.refs, reference{n, key, system, fits})
	}
	return d.Text(key, "")
}
