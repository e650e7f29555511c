package web

import (
	"slices"
	"strings"
)

// flammable are the refrigerants, of those the box knows, of safety class A2L;
// R-410A, R-407C and R-134a are A1 (ISO 817 and ASHRAE 34; from memory).
var flammable = []string{"R-32", "R-454B"}

// filled are the steps during which there is refrigerant in the pipework.
var filled = []string{"draw-in", "preheat", "unit-count", "weigh-in", "trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run", "hand-over"}

// cautions are what can hurt somebody at a step, a sentence or two each: the
// step's own, those of what is in the pipes, and who comes before the box.
func (s *screens) cautions(snap Snapshot, system, step string) (all []string) {
	if text := s.flammableCaution(snap, system, step); text != "" {
		all = append(all, text)
	}
	if text := s.words["caution."+step]; text != "" {
		all = append(all, strings.Split(strings.TrimSpace(text), "\n")...)
	}
	if len(all) > 0 {
		all = append(all, s.words.say("caution.first"))
	}
	return all
}

// flammableCaution is what the refrigerant of a system asks for at a step; empty: nothing more.
func (s *screens) flammableCaution(snap Snapshot, system, step string) string {
	for _, sys := range snap.Site.Systems {
		if sys.Name != system || !slices.Contains(flammable, sys.Refrigerant) {
			continue
		}
		switch {
		case slices.Contains(filled, step):
			return s.words.say("caution.flammable", sys.Refrigerant)
		case step == "evacuation":
			return s.words.say("caution.flammable-pump", sys.Refrigerant)
		case step == "pressure-test":
			return s.words.say("caution.flammable-test", sys.Refrigerant)
		}
	}
	return ""
}
