package rules

import "standwatch/sensors"

// Limit is one setting that a step (or a standing rule) knows: its key in the
// site file, its dimension, its default and where that comes from.
type Limit struct {
	Step, Key string
	Dimension sensors.Dimension // NoDimension: a word of Words
	Quantity  sensors.Quantity  // where gauge or absolute matters; else NoQuantity
	Words     []string
	Hours     bool // a stretch of the day, such as 22:00-06:00; no dimension
	Default   float64
	HasDef    bool
	Source    string // of the default
	Doc       string
}

// Where the defaults come from. The unit maker's instructions, the job's
// specification and local code come before every one of them.
const (
	practice = "common practice"
	// UFGS 15182 3.3.3: pull to 300 micron, valve off, stand 1 h, not over 500 micron.
	// UFGS 15182 3.2.1.2: hold the final pressure 24 h.
	ufgsVacuum   = "UFGS 15182, 3.3.3 (government guide specification)"
	ufgsPressure = "UFGS 15182, 3.2.1.2 (government guide specification)"
	ra3          = "California residential appendix RA3 (2008), installer's tolerance of 3 F"
	superheats   = practice + "; RA3 (2008) accepts 2.2 to 13.9 K (4 to 25 F) where the maker gives none"
	siteFile     = "site file"
)

const (
	micronPa = 101325.0 / 760 / 1000
	psiPa    = 6894.757293168361
)

var stepNames = [...]string{
	"take-off", "pressure-test", "evacuation", "vacuum-hold", "draw-in", "preheat", "unit-count", "weigh-in",
	"trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run", "hand-over",
}

// StepNames lists the steps in the usual order.
func StepNames() []string { return append([]string(nil), stepNames[:]...) }

// Limits is the table of every step's settings; the site file is checked against it.
func Limits() []Limit {
	s := sensors.Pressures
	k, t := sensors.Differences, sensors.Times
	given := func(step, key string, dim sensors.Dimension, v float64, source, doc string) Limit {
		return Limit{Step: step, Key: key, Dimension: dim, Default: v, HasDef: true, Source: source, Doc: doc}
	}
	vacuum := func(l Limit) Limit { l.Quantity = sensors.Vacuum; return l }
	gauge := func(l Limit) Limit { l.Quantity = sensors.Pressure; return l }
	powered := func(step string) Limit {
		return Limit{Step: step, Key: "powered", Words: []string{"allowed", "forbidden"}, Source: practice,
			Doc: "whether indoor units may have power: a maker's evacuation mode wants it; otherwise their valves shut and cut the pipework into parts"}
	}
	return append(weighingLimits(), []Limit{
		gauge(given("pressure-test", "target", s, 550*psiPa, practice+"; never above the lowest-rated part", "the gauge pressure of the last stage")),
		given("pressure-test", "lasts", t, 24*3600, ufgsPressure, "how long the last stage stands"),
		{Step: "pressure-test", Key: "ceiling", Dimension: s, Quantity: sensors.Pressure, Source: "the lowest-rated part", Doc: "gauge pressure that must never be passed, in the hottest hour either"},
		powered("pressure-test"),

		vacuum(given("evacuation", "target", s, 300*micronPa, ufgsVacuum, "the pressure to pull down to before valving off")),
		vacuum(given("evacuation", "first", s, 2500*micronPa, practice, "the pressure at which the first pull is ready for its nitrogen break")),
		vacuum(given("evacuation", "second", s, 1500*micronPa, practice, "the pressure at which the second pull is ready for its nitrogen break")),
		given("evacuation", "coldest", sensors.Temperatures, 2, "UFGS 15182, minimum ambient 35 F", "the temperature of pipes or outdoor air under which water would freeze in the pipe"),
		{Step: "evacuation", Key: "pump", Dimension: sensors.Flows, Source: siteFile, Doc: "the pump's speed; with it and the take-off a pull shows how much volume it draws on"},
		given("evacuation", "hose-bore", sensors.Lengths, 0.008, practice+" (8 mm)", "the narrowest bore between pipework and pump"),
		given("evacuation", "hose-length", sensors.Lengths, 1.5, practice, "the hose's length"),
		powered("evacuation"),

		vacuum(given("vacuum-hold", "limit", s, 500*micronPa, ufgsVacuum, "the pressure that must not be passed; the limit itself is still good")),
		given("vacuum-hold", "lasts", t, 3600, ufgsVacuum, "how long the hold stands, from the pump valved off"),
		vacuum(given("vacuum-hold", "start", s, 300*micronPa, ufgsVacuum, "the pressure at or under which the hold should begin")),
		given("vacuum-hold", "settle", t, 300, practice, "how long the first minutes are left out of the comparison, while the pump's side evens out"),
		powered("vacuum-hold"),

		powered("draw-in"),

		given("preheat", "lasts", t, 6*3600, practice+" for inverter units; 24 h after a long lay-up", "how long the crankcase heaters must have been on"),
		given("preheat", "pause", t, 15*60, practice, "the longest interruption of power that only stops the clock; a longer one sets it back, unless every sump stayed warm"),
		given("preheat", "warmth", k, 10, practice+" (18 F)", "how far over the outdoor air the oil sump shows that its heater works"),
		given("preheat", "current", sensors.Currents, 0.1, "our choice: more than a clamp shows of nothing", "the current of the outdoor unit from which it counts as energised"),
		given("preheat", "voltage", sensors.Voltages, 80, "our choice: under the lowest mains", "the voltage from which the outdoor unit counts as energised"),

		given("trial-run", "lasts", t, 45*60, practice, "how long the full cooling run takes"),
		given("trial-run", "settle", t, 900, "California residential appendix RA3 (2008): 15 min of running first", "how long the run settles before it is judged"),
		given("trial-run", "least-superheat", k, 3, superheats, "the least superheat at the suction line"),
		given("trial-run", "most-superheat", k, 8, superheats, "the most superheat at the suction line"),
		given("trial-run", "least-subcooling", k, 3, practice, "the least subcooling at the liquid line"),
		given("trial-run", "most-subcooling", k, 10, practice, "the most subcooling at the liquid line"),
		given("trial-run", "most-discharge", sensors.Temperatures, 110, practice+", from memory", "the discharge line's temperature that must not be passed"),
		given("trial-run", "line-loss", k, 1.5, practice+" for an insulated line", "how much colder the liquid may be at the farthest unit than at the outdoor unit"),
		given("trial-run", "clamp-error", k, 0.5, practice+" for a digital clamp, from memory", "how far a clamp may be off"),
		given("trial-run", "pressure-error", sensors.Ratios, 0.01, practice+" for a field transducer, from memory", "how far a pressure may be off, of its reading"),

		given("cooling-check", "tolerance", k, 1.7, ra3, "how far the split may be from its target"),
		given("cooling-check", "settle", t, 900, "California residential appendix RA3 (2008): 15 min of running first", "how long a unit runs before it is judged"),

		given("cooling-check", "sensor-error", k, 0.3, practice+" for two sensors compared with one another first", "how far off a split may be by its two sensors: no further beyond its edge it is not failed"),
		given("cooling-check", "probe-settle", t, 120, practice, "how long carried probes are left to settle in a room"),

		given("heating-check", "tolerance", k, 0, practice+": 15 to 30 K as it stands", "how far outside its range the rise may be"),
		given("heating-check", "sensor-error", k, 0.3, practice+" for two sensors compared with one another first", "how far off a split may be by its two sensors: no further beyond its edge it is not failed"),
		given("heating-check", "probe-settle", t, 120, practice, "how long carried probes are left to settle in a room"),
		given("heating-check", "settle", t, 900, practice, "how long a unit runs before it is judged"),
		given("heating-check", "ambient", sensors.Temperatures, 28, practice+"; the unit maker's own ceiling comes first", "the outdoor temperature above which units refuse to heat"),

		{Step: "heating-check", Key: "hours", Hours: true, Source: siteFile, Doc: "the hours of the day in which heating-window may call somebody, in the site's own time"},

		given("branch-check", "settle", t, 600, practice, "how long each command is left to work; at least so long that its answer can be read, 4 min and more"),
		given("mixed-run", "lasts", t, 20*60, practice, "how long half the units heat while the other half cool"),
		given("mixed-run", "settle", t, 600, practice, "how long a unit runs in its half before its split counts"),
		given("mixed-run", "share", sensors.Ratios, 0.7, practice+" (the field guide)", "how much of the least split of the cooling and the heating check a unit must give"),
		given("mixed-run", "tolerance", k, 1.7, ra3, "how far a cooling split may be from its target"),
		given("mixed-run", "sensor-error", k, 0.3, practice+" for two sensors compared with one another first", "how far off a split may be by its two sensors"),
		given("mixed-run", "probe-settle", t, 120, practice, "how long carried probes are left to settle in a room"),
	}...)
}

// SystemOf completes the name of a system: a site's only one need not be named.
func (s Site) SystemOf(name string) string {
	if name == "" && len(s.Systems) == 1 {
		return s.Systems[0].Name
	}
	return name
}

// OthersOf lists the units of the systems beside one.
func (s Site) OthersOf(system string) (units []string) {
	for _, sys := range s.Systems {
		if sys.Name == system {
			continue
		}
		for _, u := range sys.Units {
			units = append(units, u.Name)
		}
		units = append(append(units, sys.Branches...), sys.Outdoor...)
	}
	return units
}

// Settings returns a step's settings: the site's where given, else the defaults.
func (s Site) Settings(system, step string) map[string]Setting {
	settings := map[string]Setting{}
	for _, l := range Limits() {
		if l.Step == step && l.HasDef {
			settings[l.Key] = Setting{Value: l.Default, Source: l.Source}
		}
	}
	for _, sys := range s.Systems {
		if sys.Name != system {
			continue
		}
		// One ledger runs over draw-in and weigh-in: one target for both, and the same cylinders.
		if target, ok := sys.targetOf(); ok && isWeighing(step) {
			settings["target"] = target
		}
		for _, key := range []string{"target", "allowance", "tare", "contents"} {
			if v, ok := sys.Steps["weigh-in"][key]; ok && step == "draw-in" {
				settings[key] = v
			}
		}
		for key, v := range sys.Steps[step] {
			settings[key] = v
		}
	}
	return settings
}

// limit is a step's setting, or the table's default where a begin mark lacks it.
func limit(step Step, key string) (Setting, bool) {
	if v, ok := step.Limits[key]; ok {
		return v, true
	}
	for _, l := range Limits() {
		if l.Step == step.Name && l.Key == key && l.HasDef {
			return Setting{Value: l.Default, Source: l.Source}, true
		}
	}
	return Setting{}, false
}
