package config

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"standwatch/rules"
	"standwatch/sensors"
)

var checkName = regexp.MustCompile(`^[a-z][a-z0-9-]{0,39}$`)

// readChecks reads which checks this job has beside the trade's, and which of those it has not:
//
//	checks:
//	  drop: [thermostats]
//	  add: [{name: crane-gone, before: [preheat], text: The crane is off the roof., why: ..., source: ...}]
func (r *reader) readChecks(n sensors.Node) {
	if n.Kind == sensors.Nothing {
		return
	}
	var trade []string
	for _, c := range (rules.Site{Systems: []rules.System{{Refrigerant: "R-32"}}}).Checks("") { // of which all are asked
		trade = append(trade, c.Name)
	}
	d := r.decode(n)
	r.site.DropChecks = d.Texts("drop")
	drop, add := d.Node("drop"), d.Node("add")
	d.Done()
	r.eachKnown(drop, "check", trade)
	for _, it := range r.list(add, "add") {
		if c, ok := r.readCheck(it, trade); ok {
			r.site.OwnChecks = append(r.site.OwnChecks, c)
		}
	}
}

func (r *reader) readCheck(n sensors.Node, trade []string) (c rules.Check, ok bool) {
	d := r.decode(n)
	c = rules.Check{Name: d.Required("name"), Before: d.Texts("before"), After: d.Text("after", ""),
		Text: strings.TrimSpace(d.Required("text")), Why: d.Text("why", ""), Source: d.Text("source", "site file"), Own: true}
	name, before, after := d.Node("name"), d.Node("before"), d.Node("after")
	d.Done()
	ok = c.Name != "" && c.Text != "" && len(c.Before) > 0
	bad := func(at sensors.Node, problem, want string) {
		r.fault(at, problem, want)
		ok = false
	}
	switch {
	case c.Name == "":
	case !checkName.MatchString(c.Name) || slices.Contains(rules.StepNames(), c.Name):
		bad(name, fmt.Sprintf("%q cannot name a check", c.Name), "write small letters, digits and hyphens, at most 40, and not a step's name")
	case slices.Contains(trade, c.Name) || slices.ContainsFunc(r.site.OwnChecks, func(o rules.Check) bool { return o.Name == c.Name }):
		bad(name, fmt.Sprintf("there is a check %q already", c.Name), "give it a name of its own; records stand on the name")
	}
	if before.Kind == sensors.Nothing {
		bad(n, "before is missing", "add before: [the steps before which it should be settled]")
	}
	known := r.eachKnown(before, "step", rules.StepNames())
	return c, r.eachKnown(after, "step", rules.StepNames()) && known && ok
}

// eachKnown sees that each word of a list, or the one that stands for a list, is known.
func (r *reader) eachKnown(n sensors.Node, what string, known []string) bool {
	all, words := true, n.Items
	if n.Kind == sensors.Scalar {
		words = []sensors.Node{n}
	}
	for _, w := range words {
		if w.Kind == sensors.Scalar && w.Text != "" && !slices.Contains(known, w.Text) {
			r.fault(w, fmt.Sprintf("there is no %s %q", what, w.Text), sensors.Known(w.Text, known, ""))
			all = false
		}
	}
	return all
}
