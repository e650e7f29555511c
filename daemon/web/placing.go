package web

import (
	"slices"
	"strings"
)

// drawings are the pictures of how to place an instrument, by its role.
var drawings = map[string]string{"pipe-air": "clamp", "liquid-line": "clamp", "suction-line": "clamp", "discharge-line": "clamp",
	"vacuum-gauge": "far", "charging-scale": "scale", "supply-air": "air", "return-air": "air"}

// placing says how an instrument of a role is placed.
func (s *screens) placing(v *pointPageView, role string) {
	if text := s.words["placing."+role]; role != "" && text != "" {
		v.Placing = strings.Split(strings.TrimSpace(text), "\n")
		v.Drawing = drawings[role]
	}
}

// flagsOf are the open flags about a point.
func (s *screens) flagsOf(snap Snapshot, v view, point string) (fs []flagView) {
	for _, f := range snap.Flags {
		if f.Subject == point || slices.Contains(f.Points, point) {
			fs = append(fs, s.flagView(snap, v, f.Finding, f.Raised, &f))
		}
	}
	return fs
}
