package rules

import (
	"encoding/csv"
	"slices"
	"strings"
)

// Planned is a unit as a list from elsewhere has it: what should be there. That
// it answers is told by a unit-found mark, and by nothing else.
type Planned struct{ Kind, Unit, Address, Room, Branch, Port, Model string }

const (
	unitPlanned    = "planned unit: "
	noneArePlanned = "no unit is planned"
)

// PlannedMarks are the marks that put a list's units in the place of those planned before.
func PlannedMarks(system string, units []Planned) []Told {
	all := []Told{{Kind: "mark", Name: "setting", System: system, Note: OfSystem(system, noneArePlanned)}}
	for _, u := range units {
		var b strings.Builder
		w := csv.NewWriter(&b)
		_ = w.Write([]string{u.Kind, u.Unit, u.Address, u.Room, u.Branch, u.Port, u.Model}) // into memory
		w.Flush()
		all = append(all, Told{Kind: "mark", Name: "setting", System: system, Note: OfSystem(system, unitPlanned) + strings.TrimRight(b.String(), "\n")})
	}
	return all
}

// plan takes the note of such a mark; that of another system is not the sheet's.
func (x *AddressSheet) plan(note string) bool {
	if note == noneArePlanned {
		x.Planned = nil
		return true
	}
	text, ok := strings.CutPrefix(note, unitPlanned)
	if !ok {
		return false
	}
	f, err := csv.NewReader(strings.NewReader(text)).Read()
	if err != nil || len(f) != 7 || !slices.Contains(Kinds(), f[0]) || f[1] == "" {
		return true // nothing can be planned by it
	}
	u := Planned{f[0], f[1], f[2], f[3], f[4], f[5], f[6]}
	if name, known := x.named(u.Unit); known {
		u.Unit = name
	}
	x.Planned = append(slices.DeleteFunc(slices.Clone(x.Planned), func(o Planned) bool { return o.Kind == u.Kind && o.Unit == u.Unit }), u)
	return true
}

// PlanOf is how the list has a unit of the sheet.
func (x *AddressSheet) PlanOf(unit string) (Planned, bool) {
	for _, u := range x.Planned {
		if u.Unit == unit {
			return u, true
		}
	}
	return Planned{}, false
}

// Astray says where a unit's address is not the planned one.
func (x *AddressSheet) Astray(r AddressRow) (said string) {
	u, ok := x.PlanOf(r.Unit)
	if !ok || u.Address == "" || r.Address == "" || SameAddress(u.Address, r.Address) {
		return ""
	}
	return addressAstray(r.Unit, r.Address, u.Address)
}
