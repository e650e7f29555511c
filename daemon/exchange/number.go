package exchange

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// Decimal marks.
const (
	decimalPoint = "point"
	decimalComma = "comma"
)

// A number as it may be meant with a decimal point, and with a decimal comma.
// A blank or an apostrophe parts thousands in both.
var (
	withPoint = regexp.MustCompile(`^(?:[1-9]\d{0,2}(?:[, ']\d{3})+|\d+)?(?:\.\d+)?$`)
	withComma = regexp.MustCompile(`^(?:[1-9]\d{0,2}(?:[. ']\d{3})+|\d+)?(?:,\d+)?$`)
)

// number is what is written, and what it may be.
type number struct {
	text         string
	point, comma float64
	asPoint      bool // it can be a number with a decimal point
	asComma      bool
}

func readNumber(text string) number {
	n := number{text: text}
	read := func(form *regexp.Regexp, drop, mark string) (float64, bool) {
		if text == "" || !form.MatchString(text) {
			return 0, false
		}
		s := strings.NewReplacer(drop, "", " ", "", "'", "", mark, ".").Replace(text)
		v, err := strconv.ParseFloat(s, 64)
		return v, err == nil
	}
	n.point, n.asPoint = read(withPoint, ",", ".")
	n.comma, n.asComma = read(withComma, ".", ",")
	return n
}

// tells is the decimal mark that the number can only have been written with; empty: either.
func (n number) tells() string {
	switch {
	case n.asPoint && !n.asComma:
		return decimalPoint
	case n.asComma && !n.asPoint:
		return decimalComma
	}
	return ""
}

// eitherWay reports whether the number can be read in two ways that differ.
func (n number) eitherWay() bool { return n.asPoint && n.asComma && n.point != n.comma }

// value is what the number means where the list is written with a decimal mark
// (empty: unknown), perhaps said so by who imports it. Of two readings fits may
// leave one: where that is not by the list's own mark, remark says so. What stays open is not guessed.
func (n number) value(decimal string, said bool, fits func(float64) bool) (v float64, remark, problem, want string) {
	switch {
	case !n.asPoint && !n.asComma:
		return 0, "", fmt.Sprintf("%q is no number", n.text), "write it such as 12.5 or 12,5"
	case n.tells() == decimalPoint || n.asPoint && n.point == n.comma:
		return n.point, "", "", ""
	case n.tells() == decimalComma:
		return n.comma, "", "", ""
	case said && decimal == decimalPoint:
		return n.point, "", "", ""
	case said && decimal == decimalComma:
		return n.comma, "", "", ""
	}
	if fits != nil && fits(n.point) != fits(n.comma) {
		v, other, by := n.point, n.comma, decimalPoint
		if !fits(n.point) {
			v, other, by = n.comma, n.point, decimalComma
		}
		switch decimal {
		case by:
		case "":
			remark = fmt.Sprintf("%s read as %s and not as %s, which it cannot be", n.text, plain(v), plain(other))
		default:
			remark = fmt.Sprintf("%s read as %s and not as %s, as the decimal %s of the others would have it: that it cannot be", n.text, plain(v), plain(other), decimal)
		}
		return v, remark, "", ""
	}
	// The decimal mark of the others settles it only where this is it: a mark
	// that would part thousands here may as well be a slip of the other one.
	if decimal == decimalPoint && strings.Contains(n.text, ".") {
		return n.point, "", "", ""
	}
	if decimal == decimalComma && strings.Contains(n.text, ",") {
		return n.comma, "", "", ""
	}
	return 0, "", fmt.Sprintf("%q can be %s or %s", n.text, plain(n.point), plain(n.comma)), "write it without parting thousands, or say which sign is the decimal mark"
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// part is a number or a fraction, with the unit behind it as it is written.
type part struct {
	number   number
	fraction float64 // of 3/8 and 1-1/8; 0: none
	unit     string
}

// onePart is a fraction or a number, and then perhaps a unit: letters, or the mark of feet or inches.
var onePart = regexp.MustCompile(`^(?:(?:(\d{1,2})[ -]+)?(\d{1,2})/(\d{1,2})|(\d{1,3}(?:[ ']\d{3})+(?:[.,]\d+)?|\d+(?:[.,]\d+)*|[.,]\d+)) ?((?:[\pL.]+(?:/[\pL]+)?|"|'|)[23]?)(?:[ -]*)`)

// parts reads a cell as numbers with units: 42 ft 6 in, 12,5 m, 3/8".
func (v vocabulary) parts(text string) (all []part, ok bool) {
	rest := strings.TrimSpace(tidyMarks(text))
	for rest != "" {
		m := onePart.FindStringSubmatch(rest)
		if m == nil || m[0] == "" || len(all) == 2 {
			return nil, false
		}
		p := part{unit: strings.TrimRight(m[5], ".")}
		if m[2] != "" {
			of, err := strconv.Atoi(m[3])
			above, err1 := strconv.Atoi(m[2])
			whole, _ := strconv.Atoi("0" + m[1])
			if err != nil || err1 != nil || above < 1 || above >= of || of > 64 || of&(of-1) != 0 { // tape measures part inches by halves
				return nil, false
			}
			p.fraction = float64(whole) + float64(above)/float64(of)
		} else {
			p.number = readNumber(m[4])
		}
		if p.unit != "" {
			u := v.unit(p.unit)
			if u == "" {
				return nil, false
			}
			p.unit = u
		}
		all = append(all, p)
		rest = rest[len(m[0]):]
	}
	return all, len(all) > 0
}

// scaleOf is a unit of length in metres.
func scaleOf(unit string) float64 {
	m, _ := sensors.ParseQuantity("1 "+unit, sensors.Lengths) // of our own names
	return m
}

// style is how a column's numbers are written.
type style struct {
	decimal string // empty: not to be told
	said    bool   // by who imports
	unit    string // empty: the cells say, or nobody
}

// trouble is why a cell is not understood.
type trouble struct {
	problem, want string
	asks          string // the option that would settle it: then nothing is wrong with the cell itself
}

func (t trouble) ok() bool { return t.problem == "" }

// length reads a cell as a length of pipe, in metres; remark says what was settled that nobody told.
func (v vocabulary) length(text string, st style) (m float64, remark string, t trouble) {
	all, ok := v.parts(text)
	if !ok {
		return 0, "", trouble{problem: fmt.Sprintf("%q is no length of pipe", text), want: "write a number and its unit, such as 12.5 m or 42 ft 6 in"}
	}
	if len(all) == 2 && !(all[0].unit == "ft" && (all[1].unit == "in" || all[1].unit == "")) {
		return 0, "", trouble{problem: fmt.Sprintf("%q are two numbers", text), want: "write one length, such as 12.5 m or 42 ft 6 in"}
	}
	for i, p := range all {
		unit := p.unit
		switch {
		case i == 1:
			unit = "in" // 42' 6
		case unit == "":
			unit = st.unit
		}
		if unit == "" {
			return 0, "", trouble{problem: fmt.Sprintf("%q: nobody tells of which unit", text), want: "say which unit the lengths have", asks: "--length-unit"}
		}
		scale := scaleOf(unit)
		if scale == 0 {
			return 0, "", trouble{problem: fmt.Sprintf("%q: %s is no unit of length", text, unit), want: "write m or ft"}
		}
		x := p.fraction
		if x == 0 {
			pipe := func(x float64) bool { return x*scale > 0 && x*scale <= longestM }
			var note, problem, want string
			if x, note, problem, want = p.number.value(st.decimal, st.said, pipe); problem != "" {
				return 0, "", trouble{problem: problem, want: want, asks: asksDecimal(p.number)}
			}
			if note != "" {
				remark = note
			}
		}
		if i == 1 && x >= 12 {
			remark = fmt.Sprintf("%s in behind feet make more than another foot: a slip?", plain(x))
		}
		m += float64(x * scale)
	}
	if !(m > 0 && m <= longestM) {
		return 0, "", trouble{problem: fmt.Sprintf("%q is no length of pipe", text), want: fmt.Sprintf("it comes to %s m; look at the number and at its unit", plain(math.Round(m*1000)/1000))}
	}
	return m, remark, trouble{}
}

func asksDecimal(n number) string {
	if n.asPoint && n.asComma {
		return "--decimal"
	}
	return ""
}

// longestM is as rules.ReadRun has it: longer is a slip of the pen.
const longestM = 10e3

// Outside diameters of tube for refrigerants: 1/8 to 4-1/8 in by ASTM B280, 6 to 108 mm by EN 12735-1 (both from memory).
const (
	thinnestM = 0.0031
	thickestM = 0.109
)

// tube is a size as a cell gives it.
type tube struct {
	outsideM, wallM float64
	remark          string
}

// byWall parts an outside diameter from a wall: 6,35 x 1,0.
var byWall = regexp.MustCompile(`^(.*?[\d"\pL]) ?[xX*] ?([\d.,].*)$`)

// diameterMarks are written beside a size.
var diameterMarks = strings.NewReplacer("Ø", " ", "ø", " ", "⌀", " ", "φ", " ", "Φ", " ", "OD", " ", "O.D.", " ", "od", " ", "Cu", " ", "ACR", " ")

// readings are what a part may be.
func (p part) readings() (values []float64) {
	if p.fraction > 0 {
		return []float64{p.fraction}
	}
	if p.number.asPoint {
		values = append(values, p.number.point)
	}
	if p.number.asComma && !(p.number.asPoint && p.number.point == p.number.comma) {
		values = append(values, p.number.comma)
	}
	return values
}

// tube reads a cell as a tube's size. The unit that nobody tells is the one in
// which such a tube is made, where there is but one.
func (v vocabulary) tube(text string, st style) (tube, trouble) {
	rest := strings.TrimSpace(diameterMarks.Replace(tidyMarks(text)))
	var wallText string
	if m := byWall.FindStringSubmatch(rest); m != nil {
		rest, wallText = strings.TrimSpace(m[1]), m[2]
	}
	bad := trouble{problem: fmt.Sprintf("%q is no outside diameter", text), want: `write a size such as 3/8 in or 9.52 mm`}
	all, ok := v.parts(rest)
	if !ok || len(all) != 1 {
		return tube{}, bad
	}
	p := all[0]
	var wall part
	if wallText != "" {
		w, ok := v.parts(wallText)
		if !ok || len(w) != 1 {
			return tube{}, bad
		}
		wall = w[0]
		if p.unit == "" { // 6,35 x 1,0 mm
			p.unit = wall.unit
		}
	}
	units := []string{p.unit}
	switch {
	case p.unit == "" && p.fraction > 0:
		units = []string{"in"} // nobody writes millimetres in fractions
	case p.unit == "" && st.unit != "":
		units = []string{st.unit}
	case p.unit == "":
		units = []string{"mm", "in"}
	}
	type reading struct {
		m     float64
		unit  string
		known bool
	}
	var found []reading
	values := p.readings()
	known := false
	for _, u := range units {
		scale := scaleOf(u)
		if scale == 0 {
			return tube{}, bad
		}
		for _, x := range values {
			m := float64(x * scale)
			if m < thinnestM || m > thickestM {
				continue
			}
			_, err := physics.TubeOf(m, 0)
			found = append(found, reading{m, u, err == nil})
			known = known || err == nil
		}
	}
	if known { // a size that is made counts before one that is not
		kept := found[:0]
		for _, r := range found {
			if r.known {
				kept = append(kept, r)
			}
		}
		found = kept
	}
	switch {
	case len(found) == 0 && len(values) == 0:
		return tube{}, bad
	case len(found) == 0:
		bad.want = "no tube for refrigerant is that thin or that thick; " + bad.want
		return tube{}, bad
	case len(found) > 1 && found[0].unit != found[1].unit && math.Abs(found[0].m-found[1].m) > 1e-6:
		return tube{}, trouble{problem: fmt.Sprintf("%q can be millimetres or inches", text), want: "say which unit the diameters have", asks: "--diameter-unit"}
	case len(found) > 1:
		x, _, problem, want := p.number.value(st.decimal, st.said, nil)
		if problem != "" {
			return tube{}, trouble{problem: problem, want: want, asks: "--decimal"}
		}
		found = []reading{{x * scaleOf(found[0].unit), found[0].unit, false}}
	}
	t := tube{outsideM: found[0].m}
	if p.unit == "" && p.fraction == 0 && st.unit == "" {
		t.remark = fmt.Sprintf("%s read in %s: no tube has that size in the other unit", text, map[string]string{"mm": "millimetres", "in": "inches"}[found[0].unit])
	}
	if wallText != "" {
		if wall.unit == "" {
			wall.unit = found[0].unit
		}
		w, trouble := v.wall(wall, wallText, st)
		if !trouble.ok() {
			return tube{}, trouble
		}
		t.wallM = w
	}
	return t, trouble{}
}

// wall reads a tube's wall.
func (v vocabulary) wall(p part, text string, st style) (float64, trouble) {
	x := p.fraction
	unit := p.unit
	if unit == "" {
		unit = st.unit
	}
	if unit == "" {
		return 0, trouble{problem: fmt.Sprintf("the wall %q has no unit", text), want: "say which unit the diameters have", asks: "--diameter-unit"}
	}
	scale := scaleOf(unit)
	if x == 0 {
		var problem, want string
		// No such tube has a wall below 0.3 or above 5 mm (ASTM B280, EN 12735-1; from memory).
		if x, _, problem, want = p.number.value(st.decimal, st.said, func(x float64) bool { return x*scale > 0.3e-3 && x*scale < 5e-3 }); problem != "" {
			return 0, trouble{problem: problem, want: want, asks: asksDecimal(p.number)}
		}
	}
	return float64(x * scale), trouble{}
}

// factor reads the maker's mass a length, in kg/m.
func (v vocabulary) factor(text string, st style) (float64, trouble) {
	bad := trouble{problem: fmt.Sprintf("%q is not a mass a length", text), want: "write 0.048 kg/m or 0.032 lb/ft, the maker's figure"}
	all, ok := v.parts(text)
	if !ok || len(all) != 1 || all[0].fraction > 0 {
		return 0, bad
	}
	unit := all[0].unit
	if unit == "" {
		unit = st.unit
	}
	scale := map[string]float64{"kg/m": 1, "g/m": 1e-3, "lb/ft": 0.45359237 / 0.3048, "oz/ft": 0.028349523125 / 0.3048}[unit] // by definition
	if scale == 0 {
		bad.want = "it has no unit; write kg/m, g/m, lb/ft or oz/ft behind it or in the heading"
		return 0, bad
	}
	x, _, problem, want := all[0].number.value(st.decimal, st.said, func(x float64) bool { return x*scale > 0 && x*scale < 100 })
	if problem != "" {
		return 0, trouble{problem: problem, want: want, asks: asksDecimal(all[0].number)}
	}
	if kg := float64(x * scale); kg > 0 && kg < 100 {
		return kg, trouble{}
	}
	return 0, bad
}
