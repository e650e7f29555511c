package config

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

// readSteps puts the site's settings into every system; what a system says
// itself goes before.
func (r *reader) readSteps(n sensors.Node) {
	all := r.settings(n, true)
	for i := range r.site.Systems {
		s := &r.site.Systems[i]
		if s.Steps == nil {
			s.Steps = map[string]map[string]rules.Setting{}
		}
		for step, keys := range all {
			if s.Steps[step] == nil {
				s.Steps[step] = map[string]rules.Setting{}
			}
			for key, v := range keys {
				if _, own := s.Steps[step][key]; !own {
					s.Steps[step][key] = v
				}
			}
		}
	}
}

// settings reads a mapping of steps (or else of standing rules) to settings,
// each against the table of limits.
func (r *reader) settings(n sensors.Node, steps bool) map[string]map[string]rules.Setting {
	what, names := "rule", []string(nil)
	if steps {
		what, names = "step", rules.StepNames()
	}
	for _, l := range r.limits {
		if slices.Contains(rules.StepNames(), l.Step) == steps && !slices.Contains(names, l.Step) {
			names = append(names, l.Step)
		}
	}
	if n.Kind != sensors.Mapping && n.Kind != sensors.Nothing {
		r.fault(n, what+"s should be a mapping", "write "+what+": {key: value, ...}")
	}
	out := map[string]map[string]rules.Setting{}
	for _, f := range n.Fields {
		if !slices.Contains(names, f.Key) {
			r.faults = append(r.faults, sensors.Fault{File: n.File, Line: f.Line, Column: f.Col,
				Problem: fmt.Sprintf("there is no %s %q", what, f.Key), Want: sensors.Known(f.Key, names, "")})
			continue
		}
		out[f.Key] = r.stepSettings(f.Key, f.Value)
	}
	return out
}

// neverNothing are the settings that, at zero, would let anything pass.
var neverNothing = []string{"lasts", "limit", "target"}

func (r *reader) stepSettings(step string, n sensors.Node) map[string]rules.Setting {
	d := r.decode(n)
	out := map[string]rules.Setting{}
	for _, l := range r.limits {
		if l.Step != step {
			continue
		}
		v, given := d.Given(l.Key)
		if !given {
			continue
		}
		value, err := limitValue(l, v.Text)
		if err == nil && value == 0 && slices.Contains(neverNothing, l.Key) {
			err = fmt.Errorf("%q would prove nothing; write more than zero", v.Text)
		}
		if v.Kind != sensors.Scalar {
			err = errors.New("a single value should stand here")
		}
		if err != nil {
			d.Fail(v, fmt.Sprintf("%s: %v", l.Key, err), "")
			continue
		}
		out[l.Key] = rules.Setting{Value: value, Text: v.Text, Source: "site file", Given: true}
	}
	r.checkOrder(d, step, out)
	d.Done()
	return out
}

// checkOrder looks at settings that stand for a range: what is least must be less than what is most.
func (r *reader) checkOrder(d *sensors.Decoder, step string, given map[string]rules.Setting) {
	value := func(key string) (l rules.Limit, v float64) {
		i := slices.IndexFunc(r.limits, func(l rules.Limit) bool { return l.Step == step && l.Key == key })
		if i < 0 {
			return l, 0
		}
		if s, ok := given[key]; ok {
			return r.limits[i], s.Value
		}
		return r.limits[i], r.limits[i].Default
	}
	for _, l := range r.limits {
		what, ok := strings.CutPrefix(l.Key, "least-")
		if l.Step != step || !ok {
			continue
		}
		_, least := value(l.Key)
		other, most := value("most-" + what)
		if other.Key == "" || least < most {
			continue
		}
		n, at := d.Given(l.Key)
		if !at {
			n, at = d.Given(other.Key)
		}
		if at {
			d.Fail(n, fmt.Sprintf("%s is not less than %s (%g and %g)", l.Key, other.Key, least, most), "give both, the least below the most")
		}
	}
}

// limitValue reads one setting in SI. A word has no number.
func limitValue(l rules.Limit, text string) (float64, error) {
	if l.Hours {
		_, err := rules.ReadHours(text)
		return 0, err
	}
	if l.Dimension == sensors.NoDimension {
		if !slices.Contains(l.Words, text) {
			return 0, fmt.Errorf("%q is not known here; write one of %s", text, strings.Join(l.Words, ", "))
		}
		return 0, nil
	}
	if l.Quantity != sensors.NoQuantity {
		v, err := l.Quantity.Parse(text)
		if err == nil && !l.Quantity.Plausible(v) {
			err = fmt.Errorf("%q is outside of what %s can be", text, l.Quantity)
		}
		return v, err
	}
	v, err := sensors.ParseQuantity(text, l.Dimension)
	if err == nil && v < 0 && l.Dimension != sensors.Temperatures {
		err = fmt.Errorf("%q is below zero", text)
	}
	if err == nil && l.Dimension == sensors.Times {
		_, err = sensors.ParseTime(text)
	}
	return v, err
}
