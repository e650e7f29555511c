package rules

import (
	"fmt"
	"strings"
	"time"
)

// The sentences of the unit count.

// countWords is what the sentences about a count are made of.
type countWords struct {
	sheet                   *AddressSheet
	missing, unknown, twice []string
}

func unitsWord(n int, kind string) string { return counted(n, kind+" unit") }

const countDo = " Look for a unit without power, a bus crossed, loose or cut, and one address set twice (power off first, and the maker's waiting time). " +
	"One too many may belong to another system's bus. To find it, force all fans on and walk. The outdoor unit simply ignores a unit that is missing: charge trim and trial run would be wrong."

// against says what was counted against the list, kind by kind.
func (w countWords) against() string {
	var said []string
	for _, kind := range Kinds() {
		n, told := w.sheet.Counts[kind]
		if told {
			said = append(said, fmt.Sprintf("%s counted, %d on the site file's list", unitsWord(n, kind), w.sheet.Expected(kind)))
		}
	}
	if w.sheet.All >= 0 {
		said = append(said, fmt.Sprintf("%s counted in all, %d on the site file's list", counted(w.sheet.All, "unit"), len(w.sheet.Rows)-len(w.sheet.Unknown())))
	}
	if _, told := w.sheet.Counts[KindIndoor]; !told && w.sheet.All < 0 {
		said = append(said, fmt.Sprintf("%s found by name, %d on the site file's list", unitsWord(w.sheet.FoundOf(KindIndoor), KindIndoor), w.sheet.Expected(KindIndoor)))
	}
	return strings.Join(said, "; ")
}

// odd says which entries could not be read, and how to write them.
func (w countWords) odd() string {
	if len(w.sheet.Odd) == 0 {
		return ""
	}
	return fmt.Sprintf(" Could not be read as a count, and is left out: \"%s\". Write the number as the value and in the note what it is of (indoor, branch, outdoor), or all in one note: 4 indoor units, 1 branch unit, 1 outdoor unit.",
		strings.Join(w.sheet.Odd, "\", \""))
}

func countExact(w countWords) string {
	s := fmt.Sprintf("Unit count exact: %s.", w.against())
	var not []string
	for _, kind := range Kinds()[1:] {
		if _, told := w.sheet.Counts[kind]; !told && w.sheet.All < 0 && w.sheet.FoundOf(kind) < w.sheet.Expected(kind) {
			not = append(not, unitsWord(w.sheet.Expected(kind)-w.sheet.FoundOf(kind), kind))
		}
	}
	if len(not) > 0 {
		s += fmt.Sprintf(" Not counted: %s.", listed(not))
	}
	if n := len(w.sheet.Missing(KindIndoor)); n > 0 {
		s += fmt.Sprintf(" The address sheet still lacks %s.", unitsWord(n, KindIndoor))
	}
	return s + w.odd()
}

func countFailed(w countWords) string {
	s := fmt.Sprintf("Unit count failed: %s.", w.against())
	if len(w.missing) > 0 {
		s += fmt.Sprintf(" Missing: %s.", listed(w.missing))
	}
	if len(w.unknown) > 0 {
		s += fmt.Sprintf(" Not on the list: %s.", listed(w.unknown))
	}
	for _, t := range w.twice {
		s += " " + t
	}
	return s + w.odd() + countDo
}

func countIncomplete(w countWords) string {
	if w.sheet.FoundOf(KindIndoor) == 0 && len(w.sheet.Counts) == 0 && len(w.sheet.Odd) > 0 {
		return "Unit count not proven: a count was entered." + w.odd()
	}
	return fmt.Sprintf("Unit count not proven: %s. Enter how many indoor units the outdoor unit found (counted), or each by name (unit-found).", w.against()) + w.odd()
}

func countNotEntered(asked bool, units int) string {
	s := "Unit count not proven: nobody entered how many units the outdoor unit found. Enter it (counted), or each unit by name (unit-found)."
	if asked && units > 0 {
		s += " What the supply air did when the fans were forced on does not tell either: begin the step ten minutes before them, leave them on for ten, and measure each unit's supply air."
	}
	return s
}

func noUnitsListed() string {
	return "Unit count not proven: the site file lists no units, so there is nothing to hold the count against. Add indoor_units, branch_units and outdoor_units."
}

// fansStill names the units whose supply air did not move: a suspicion.
func fansStill(f fansSay, answers bool) string {
	s := fmt.Sprintf("With all fans forced on the supply air of %s did not move, where the others moved by about %s.", listed(f.still), kelvin(f.usualK))
	if answers {
		return s + " Look there: the fan, or the thermometer's place."
	}
	s = "Unit count failed, by the fans alone: " + strings.ToLower(s[:1]) + s[1:] + " Either that unit does not answer, or its thermometer does not hang in its air: look there."
	if len(f.unseen) > 0 {
		s += fmt.Sprintf(" Not measured: %s.", listed(f.unseen))
	}
	return s + " Enter the outdoor unit's own count (counted) as well." + countDo
}

func fansMoved(n int, usualK float64) string {
	return fmt.Sprintf("Unit count exact, by the fans alone: with all fans forced on the supply air of each of %s moved, most by about %s or more. Enter the outdoor unit's own count (counted) and the address sheet as well.", unitsWord(n, KindIndoor), kelvin(usualK))
}

func fansUnseen(f fansSay) string {
	return fmt.Sprintf("Unit count not proven: with all fans forced on the supply air of %s moved, but of %s nothing is known: no supply thermometer of its own, or it was not heard or not asked. Enter the outdoor unit's own count (counted).",
		unitsWord(len(f.moved), KindIndoor), listed(f.unseen))
}

func countNow(subject, text string) string {
	if subject != "" {
		return fmt.Sprintf("%s is no longer held for missing. %s", subject, text)
	}
	return text
}

func unnamedRow(r AddressRow) string {
	switch {
	case r.Unit == "" && r.Address == "":
		return "a unit without name or address"
	case r.Unit == "":
		return "a unit at address " + r.Address
	case r.Address == "":
		return r.Unit
	}
	return fmt.Sprintf("%s at address %s", r.Unit, r.Address)
}

func foundAtTwo(unit, a, b string) string {
	return fmt.Sprintf("%s was found at address %s and at %s: take back what is wrong (%s address %s withdrawn), or look for the second unit.", unit, a, b, unit, b)
}

func addressTwice(address, a, b string) string {
	return fmt.Sprintf("Address %s is set twice: %s and %s.", address, a, b)
}

func addressAstray(unit, found, planned string) string {
	return fmt.Sprintf("%s answers at address %s; the unit list has %s. See which is right, at the unit and on the drawing.", unit, found, planned)
}

func rowStands(r AddressRow) string {
	var said []string
	for _, kv := range []struct{ key, text string }{{"address ", r.Address}, {"model ", r.Model}, {"", r.Room}, {"", r.Note}} {
		if kv.text != "" {
			said = append(said, kv.key+kv.text)
		}
	}
	if len(said) == 0 {
		return "Found."
	}
	s := strings.Join(said, ", ")
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

func unitIsMissing(u Unit) string {
	return fmt.Sprintf("%s is missing, or suspected to be.", unitName(u))
}

func unitNotEntered(u Unit) string { return fmt.Sprintf("%s is not entered yet.", unitName(u)) }

func countStands(x *AddressSheet, elapsed time.Duration, result, text string) string {
	if result != "" {
		return strings.TrimSuffix(text, countDo)
	}
	s := underWay("unit-count", elapsed, true)
	if n := x.Expected(KindIndoor); n > 0 {
		s += fmt.Sprintf(" %d of %s found by name; the outdoor unit's own count is not entered yet.", x.FoundOf(KindIndoor), unitsWord(n, KindIndoor))
	}
	return s
}

func countNotPassed(step, result string) string {
	if result == "" {
		return fmt.Sprintf("%s has begun, and the unit count is not finished. A unit that is missing is simply ignored: enter the count first.", stepWord(step))
	}
	return fmt.Sprintf("%s has begun, and the last unit count is %s. A unit that is missing is simply ignored, so the charge's trim and the trial run would be wrong. Count again, or accept it by name.",
		stepWord(step), strings.ReplaceAll(result, "-", " "))
}

func noCount(step string) string {
	return fmt.Sprintf("%s has begun, and no unit count is known. If the units were counted before the box came, mark it as reported; else count them.", stepWord(step))
}
