package rules

import (
	"fmt"
	"math"
	"strings"
)

// The sentences of the take-off and of the room limit.

func both(kgs float64) string { return Kilogram.Beside(Pound, kgs) }

// TubeSize is a tube's outside diameter as both worlds name it: 15.9 mm (5/8 in).
func TubeSize(m float64) string {
	const inchM = 0.0254
	eighths := int(math.Round(m / inchM * 8))
	mm := fmt.Sprintf("%.4g mm", m*1e3)
	if eighths <= 0 || math.Abs(m-float64(float64(eighths)*inchM/8)) > sameM {
		return mm
	}
	whole, part, of := eighths/8, eighths%8, 8
	for part > 0 && part%2 == 0 {
		part, of = part/2, of/2
	}
	switch {
	case part == 0:
		return fmt.Sprintf("%s (%d in)", mm, whole)
	case whole == 0:
		return fmt.Sprintf("%s (%d/%d in)", mm, part, of)
	}
	return fmt.Sprintf("%s (%d-%d/%d in)", mm, whole, part, of)
}

func litres(m3 float64) string { return Litres(m3) }

func lineWord(line string) string { return strings.ReplaceAll(line, "-", " ") }

// named is a row as its sheet shows it.
func (r Run) named() string {
	s := fmt.Sprintf("%s, %s line", r.Name, lineWord(r.Line))
	if r.Row > 0 {
		s += fmt.Sprintf(" (line %d of the file)", r.Row)
	}
	return s
}

func factorOff(r Run, ratio, pureKgM float64, refrigerant string, liquidC float64) string {
	return fmt.Sprintf("%s: a factor of %s kg/m is %.2f times what a metre of %s holds of liquid %s at %s (%s kg).",
		r.named(), AsGiven(r.FactorKgM), ratio, TubeSize(r.OutsideDiameterM), refrigerant, Celsius.Text(liquidC), AsGiven(pureKgM))
}

func factorOnGas(r Run) string {
	return fmt.Sprintf("%s has a factor of %s kg/m, which is counted: as a rule makers give factors for liquid lines.", r.named(), AsGiven(r.FactorKgM))
}

func factorsApart(a, b Run) string {
	return fmt.Sprintf("%s has a factor of %s kg/m and %s one of %s kg/m, both for %s. A maker's table has one factor for a diameter: look which of the rows slipped before charging.",
		a.named(), AsGiven(a.FactorKgM), b.named(), AsGiven(b.FactorKgM), TubeSize(a.OutsideDiameterM))
}

const factorOffDo = " A maker's factor lies between 0.7 and 1.6 times what its line holds of liquid: look whether the row, the diameter or the unit slipped (lb/ft written as kg/m is 0.67 of what it should be)."

func linesApart(a, b Run) string {
	if a.LengthM < b.LengthM {
		a, b = b, a
	}
	return fmt.Sprintf("%s: the %s line has %s and the %s line %s, %.2f times as much, as feet are to metres. Two lines of one run are about as long: feet may stand as metres in one of them.",
		a.Name, lineWord(a.Line), Metres(a.LengthM), lineWord(b.Line), Metres(b.LengthM), a.LengthM/b.LengthM)
}

func linesUneven(run string, liquidM, suctionM float64) string {
	return fmt.Sprintf("%s: %s of liquid line beside %s of suction line. Two lines of one run are about as long: a row is missing or stands twice, or a length was misread. Look at the run again before charging.",
		run, Metres(liquidM), Metres(suctionM))
}

func lineTooLong(r Run) string {
	return fmt.Sprintf("The %s line of %s has %s: that is more than the %d m or so that makers allow from the outdoor unit to the farthest room (common practice; the maker's own figure governs). If it was measured in feet, it is %s, and the other rows may be in feet too: see in which unit the tape was read before charging.",
		lineWord(r.Line), r.Name, Metres(r.LengthM), longestM, Metres(r.LengthM*0.3048))
}

func lineFarTooLong(r Run) string {
	return fmt.Sprintf("The %s line of %s has %s: that is more than the %d m or so that makers allow from the outdoor unit to the farthest room (common practice; the maker's own figure governs), and would be in feet, too. A decimal point may have slipped, or several lines stand in one row: look at it again before charging.",
		lineWord(r.Line), r.Name, Metres(r.LengthM), longestM)
}

func rowsApart(now, before Run) string {
	return fmt.Sprintf("%s: %s now and %s in the site file's take-off, as feet are to metres. Measure it again before charging.", now.named(), Metres(now.LengthM), Metres(before.LengthM))
}

func lengthsApart(other string, nowM, beforeM float64) string {
	return fmt.Sprintf("All lines together have %s, in %s %s, as feet are to metres. One of the two is in the wrong unit: measure one run again before charging.", Metres(nowM), other, Metres(beforeM))
}

func runTwice(r Run) string {
	return fmt.Sprintf("%s stands there twice with %s and %s. If it is one pipe, take one row out; if there are two, name them apart.", r.named(), TubeSize(r.OutsideDiameterM), Metres(r.LengthM))
}

func runContrary(a, b Run) string {
	return fmt.Sprintf("%s stands there with %s and with %s. One run has one diameter: take out the wrong row, or name the pieces apart.",
		b.named(), TubeSize(a.OutsideDiameterM), TubeSize(b.OutsideDiameterM))
}

func gasThinner(liquid, gas Run) string {
	return fmt.Sprintf("%s: the %s line, %s, is thinner than its liquid line, %s. Gas needs the wider pipe: look whether the two rows were exchanged.",
		gas.Name, gas.Line, TubeSize(gas.OutsideDiameterM), TubeSize(liquid.OutsideDiameterM))
}

func noGasLines(m3 float64) string {
	return fmt.Sprintf("The take-off has no gas line, so its %s are the liquid lines only. The charge does not need the others, but what goes by the volume does (pull-down, leak rate): add the suction and hot-gas lines.", litres(m3))
}

const noLiquidLines = "The take-off has no liquid line, and the charge goes by those: what is to be added cannot be told. Add the liquid lines."

func lineMissing(r Run, liquid bool) string {
	if liquid {
		return fmt.Sprintf("%s has a liquid line and no gas line, where other runs have both: the volume lacks it. Add the row.", r.Name)
	}
	return fmt.Sprintf("%s has a %s line and no liquid line, where other runs have both: the charge lacks it. Add the row.", r.Name, lineWord(r.Line))
}

func takeOffsApart(other string, nowKg, beforeKg float64) string {
	return fmt.Sprintf("This take-off comes to %s to add, %s to %s: %.1f %% apart. Two that are right differ by less than 5 %% (common practice). Find the row that differs before charging.",
		both(nowKg), other, both(beforeKg), math.Abs(nowKg-beforeKg)/beforeKg*100)
}

func targetApart(sumKg, targetKg float64) string {
	return fmt.Sprintf("The take-off comes to %s to add, the site file's target is %s: %.1f %% apart. Find out which is right before charging; the maker's instructions decide.",
		both(sumKg), both(targetKg), math.Abs(sumKg-targetKg)/targetKg*100)
}

func rowUnreadable(text, why string) string {
	return fmt.Sprintf("The row %q is left out: %s. Enter it again.", text, why)
}

func takeOffUnreadable(why string) string {
	return fmt.Sprintf("The take-off cannot be added up: %s. Mend it.", why)
}

// slipWords names a kind of doubt at the end of a sentence.
var slipWords = map[string]string{
	"row":           "a row that could not be read",
	"factor":        "a factor far from what its tube holds",
	"lengths":       "two lines of a run whose lengths are feet and metres of each other",
	"units":         "lengths that look like feet for metres",
	"long":          "a length that no line has",
	"twice":         "a row that stood there twice",
	"contradiction": "rows that contradict each other",
	"missing":       "a line that was missing",
	"second":        "two take-offs apart",
	"target":        "a target apart from the take-off",
}

func takeOffMended(kind string) string {
	return fmt.Sprintf("Put right by the rows as they stand now: %s.", slipWords[kind])
}

func roomWithin() string {
	return "By the rows as they stand now the whole charge is within the site's limit for its smallest room."
}

func takeOffEmpty(p Pipework, sum PipeSum) string {
	switch {
	case len(p.Runs) > 0 && sum.LiquidM == 0:
		return noLiquidLines
	case len(p.Runs) > 0:
		return "The take-off has lines without the maker's factor, and the site file names no refrigerant: what they hold cannot be told. Add the factors, or system.refrigerant."
	}
	return "No line was taken off: neither in the site file (system.takeoff) nor on the take-off's page. Nothing is known of the volume or of the charge."
}

// takeOffSums is what the lines come to.
func takeOffSums(p Pipework, sum PipeSum) string {
	s := fmt.Sprintf("%s, %s to add", counted(len(p.Runs), "line"), both(sum.AdditionalKg))
	if p.ExtraKg > 0 {
		s += fmt.Sprintf(" with %s of the maker's allowances", kg(p.ExtraKg))
	}
	if p.FactoryKg > 0 {
		s += fmt.Sprintf(", %s in all with the factory's %s", both(sum.TotalKg), kg(p.FactoryKg))
	}
	s += fmt.Sprintf("; the pipes hold %s", litres(sum.TotalM3))
	if p.BesideM3 > 0 {
		s += fmt.Sprintf(", %s with coils and branch units", litres(sum.InsideM3))
	}
	return s + "."
}

const estimateIs = "This is an estimate by bore and liquid density: the maker's factors and allowances govern."

func takeOffIs(plant System, result string, p Pipework, sum PipeSum, doubts []Doubt, u Unit, kgM3 float64, over bool) string {
	said := []string{fmt.Sprintf("Take-off %s: %s", strings.ReplaceAll(result, "-", " "), takeOffSums(p, sum))}
	if over {
		said = append(said, roomOver(plant, u, sum.TotalKg, kgM3))
	}
	if len(doubts) > 0 {
		said = append(said, doubts[0].Text)
	}
	if n := len(doubts) - 1; n == 1 {
		said = append(said, "One more thing looks like a slip: see the take-off's page.")
	} else if n > 1 {
		said = append(said, fmt.Sprintf("%d more things look like slips: see the take-off's page.", n))
	}
	if sum.Estimate {
		said = append(said, estimateIs)
	}
	switch {
	case over:
	case plant.RoomLimitKgM3 == 0:
		said = append(said, "No room limit is given (system.room_limit), so none was judged.")
	case u.RoomM3 == 0:
		said = append(said, "No room's volume is given (room_volume of the indoor units), so the room limit was not judged.")
	default:
		said = append(said, fmt.Sprintf("In the smallest room that is given, %s, it would be %s; the site's limit is %s.", roomName(u), inRoom(kgM3), inRoom(plant.RoomLimitKgM3)))
		if open := roomsOpen(plant.Units); len(open) > 0 {
			said = append(said, fmt.Sprintf("Not judged, for no volume is given (room_volume): %s.", listed(open)))
		}
	}
	return strings.Join(said, " ")
}

func takeOffStands(p Pipework, sum PipeSum, slips int) string {
	if len(p.Runs) == 0 {
		return "Take-off under way. No line yet: enter them on the take-off's page, or give the site file a take-off."
	}
	if !sum.Known() {
		return "Take-off under way. " + takeOffEmpty(p, sum)
	}
	s := fmt.Sprintf("Take-off, %s: %s to add; the pipes hold %s.", counted(len(p.Runs), "line"), both(sum.AdditionalKg), litres(sum.TotalM3))
	switch {
	case slips == 1:
		s += " One thing looks like a slip."
	case slips > 1:
		s += fmt.Sprintf(" %d things look like slips.", slips)
	}
	return s
}

// inRoom is a charge a volume of room, as the standards of both worlds have it.
func inRoom(kgM3 float64) string {
	_, si, us := Figure("take-off", "room_kg_per_m3", kgM3)
	return fmt.Sprintf("%s (%s)", si, us)
}

func roomName(u Unit) string {
	if u.Room != "" {
		return u.Room
	}
	return "the room of " + u.Name
}

// roomsOpen are the rooms whose volume is not given.
func roomsOpen(units []Unit) (names []string) {
	for _, u := range units {
		if u.RoomM3 == 0 {
			names = append(names, roomName(u))
		}
	}
	return names
}

func roomOver(s System, u Unit, totalKg, kgM3 float64) string {
	what := fmt.Sprintf("The whole charge of %s", both(totalKg))
	switch {
	case s.FactoryKg == 0:
		what += ", not counting the factory's, which the site file does not give,"
	case len(s.FactoryOpen) > 0:
		what += fmt.Sprintf(", not counting what %s came with, which the site file does not give,", strings.Join(s.FactoryOpen, ", "))
	}
	return fmt.Sprintf("%s in %s (%s m³) would be %s; the site's limit is %s. Leaked there, it can take the air that people breathe, and A2L refrigerants can burn. Do not charge: call the designer. The standard that holds here, the maker and local code say what helps.",
		what, roomName(u), AsGiven(u.RoomM3), inRoom(kgM3), inRoom(s.RoomLimitKgM3))
}

func weighedToAnEstimate(c charge, source string) string {
	return fmt.Sprintf("Weigh-in not proven: %s (%s) went in, but nothing is proved by the target (%s). Get the maker's factors and allowances, and compare: what is missing goes in, what is too much is recovered by weight, by a certified person.",
		ofTarget(c), pounds(c.bestKg), source)
}

// targetSource says where a target comes from that the site file does not give.
func targetSource(estimate, sound bool) string {
	s := "take-off by the maker's factors"
	if estimate {
		s = "take-off, an estimate by bore and liquid density"
	}
	if !sound {
		s += ", which was not proven"
	}
	return s
}
