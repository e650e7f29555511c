package outbox

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Watch is who is on watch, and when nobody is told what can wait.
type Watch struct {
	People []Person
	Quiet  string // hours in which what does not wake waits for the morning; empty: none
}

// Person is somebody who may be called. Who stands before another is called
// before him.
type Person struct {
	Name  string
	Paths []string // names of destinations
	Hours string   // 18:00-06:00; empty: at any hour
}

// Bounds, so that a page and a message hold them.
const (
	mostPeople = 20
	mostName   = 40
)

// Check says what is wrong with a watch, where paths are those that there are.
func (w Watch) Check(paths []string) error {
	if len(w.People) > mostPeople {
		return fmt.Errorf("%d people are on the rota; %d are the most", len(w.People), mostPeople)
	}
	names := map[string]bool{}
	for _, p := range w.People {
		switch {
		case strings.TrimSpace(p.Name) == "" || len(p.Name) > mostName:
			return fmt.Errorf("a person has a name of at most %d characters; %q is none", mostName, p.Name)
		case names[p.Name]:
			return fmt.Errorf("%s stands on the rota twice; name each person once", p.Name)
		case len(p.Paths) == 0:
			return fmt.Errorf("%s has no path; name one of %s", p.Name, strings.Join(paths, ", "))
		}
		names[p.Name] = true
		for _, path := range p.Paths {
			if !slices.Contains(paths, path) {
				return fmt.Errorf("%s is to be reached by %q, which is no destination; the destinations are %s", p.Name, path, cmp.Or(strings.Join(paths, ", "), "none"))
			}
		}
		if _, err := rules.ReadHours(p.Hours); p.Hours != "" && err != nil {
			return fmt.Errorf("the hours of %s: %w", p.Name, err)
		}
	}
	if _, err := rules.ReadHours(w.Quiet); w.Quiet != "" && err != nil {
		return fmt.Errorf("the quiet hours: %w", err)
	}
	return nil
}

// readPerson reads one entry of the site file's rota.
func readPerson(n sensors.Node, faults *[]error) Person {
	d := sensors.Decode(n, faults)
	p := Person{Name: d.Required("name"), Paths: d.Texts("paths"), Hours: d.Text("hours", "")}
	d.Done()
	return p
}

// within reports whether a moment lies within hours; nil hours hold any.
func within(hours string, at time.Time, otherwise bool) bool {
	h, err := rules.ReadHours(hours)
	if err != nil { // none are given; Check has seen all others
		return otherwise
	}
	return h.Holds(at)
}

// order is whom to call, in order: who is on watch now before who is not, each
// in the order of the rota. A clock that is not proven cannot say who is on
// watch, and then all are, in order.
func (w Watch) order(at time.Time, proven bool) (names []string, onWatch bool) {
	var later []string
	for _, p := range w.People {
		if !proven || within(p.Hours, at, true) {
			names = append(names, p.Name)
		} else {
			later = append(later, p.Name)
		}
	}
	return append(names, later...), len(names) > 0
}

// isQuiet reports whether what can wait waits. By a clock that is not proven
// nothing waits: a message at the wrong hour is better than none.
func (w Watch) isQuiet(at time.Time, proven bool) bool {
	return proven && within(w.Quiet, at, false)
}

func (w Watch) person(name string) (Person, bool) {
	i := slices.IndexFunc(w.People, func(p Person) bool { return p.Name == name })
	if i < 0 {
		return Person{}, false
	}
	return w.People[i], true
}

// reachable is the rota of those who can be reached: a destination may have
// gone from the site file since the rota was entered.
func (w Watch) reachable(ds []destination) Watch {
	names := pathNames(ds)
	r := Watch{Quiet: w.Quiet}
	for _, p := range w.People {
		p.Paths = slices.DeleteFunc(slices.Clone(p.Paths), func(path string) bool { return !slices.Contains(names, path) })
		if len(p.Paths) > 0 {
			r.People = append(r.People, p)
		}
	}
	return r
}

// names reports whether somebody's paths name a destination, by its own name
// or its group's.
func (w Watch) names(d destination) bool {
	return slices.ContainsFunc(w.People, func(p Person) bool {
		return slices.Contains(p.Paths, d.name) || slices.Contains(p.Paths, d.group)
	})
}

// pathNames are the names by which a rota may call destinations.
func pathNames(ds []destination) (names []string) {
	for _, d := range ds {
		for _, n := range []string{d.group, d.name} {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	return names
}
