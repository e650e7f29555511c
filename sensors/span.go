package sensors

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
)

// Span turns the counts of a bridge amplifier into mass.
type Span struct {
	Zero  float64 // counts of the empty platform
	PerKg float64 // counts of each kilogram on it; below zero where the cell hangs the other way round
}

// ReadSpan reads `zero` and either `counts_per_kg`, or a known weight and what is shown with it:
// `known: 20 kg, shows: 515300`.
func ReadSpan(d *Decoder) Span {
	s := Span{Zero: counts(d, "zero", 0), PerKg: 1}
	_, byWeight := d.Given("known")
	_, bySlope := d.Given("counts_per_kg")
	switch {
	case byWeight && bySlope:
		d.Fail(d.Node("known"), "counts_per_kg and known both say how many counts a kilogram makes", "keep one of them")
		d.Given("shows")
	case bySlope:
		s.PerKg = counts(d, "counts_per_kg", 1)
	case byWeight:
		kg, err := ParseQuantity(d.Text("known", ""), Masses)
		if err == nil && kg <= 0 {
			err = fmt.Errorf("%g kg is no weight to put on", kg)
		}
		if err != nil {
			d.Fail(d.Node("known"), fmt.Sprintf("known: %v", err), "")
			kg = 1
		}
		d.Required("shows")
		s.PerKg = (counts(d, "shows", 1) - s.Zero) / kg
	default:
		d.Fail(Node{}, "nothing says how many counts a kilogram makes", "add zero: counts of the empty platform, and known: 20 kg, shows: the counts with it (or counts_per_kg)")
	}
	if math.Abs(s.PerKg) < 1 {
		d.Fail(Node{}, fmt.Sprintf("%g counts a kilogram are too few to weigh by", s.PerKg), "put the known weight on, and write what is shown then under shows")
	}
	return s
}

func counts(d *Decoder, key string, other float64) float64 {
	text := d.Text(key, "")
	if text == "" {
		return other
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.Abs(v) > 1<<24 { // false for NaN, which the next asks
		err = cmp.Or(err, strconv.ErrRange)
	}
	if err != nil || math.IsNaN(v) {
		d.Fail(d.Node(key), fmt.Sprintf("%s: %q is no number of counts", key, text), "write a number, such as 84213")
		return other
	}
	return v
}

// Mass is what so many counts weigh.
func (s Span) Mass(point string, counts float64) Reading {
	return Mass.Reading(point, (counts-s.Zero)/s.PerKg, "kg")
}

// Rail names what a 24-bit bridge amplifier shows when it measures nothing: an end of its range, where it stays for
// too large a load and for a broken wire of the cell alike, or all bits one, which is a line that nobody pulls down.
// Empty: it measures.
func Rail(counts int32) string {
	switch counts {
	case 1<<23 - 1:
		return ReasonOverload
	case -1 << 23:
		return ReasonUnderload
	case -1:
		return ReasonDisconnected
	}
	return ""
}

// MedianCounts takes conversions of a bridge amplifier until three are sound, at most five, and gives the
// middle one: such amplifiers give single wild values, and a filter would smear them (common practice). Where too
// few are sound, reason is that of the last one.
func MedianCounts(convert func() (int32, error)) (counts float64, reason string, err error) {
	const wanted, most = 3, 5
	var sound []int32
	for range most {
		c, err := convert()
		if err != nil {
			return 0, "", err
		}
		if why := Rail(c); why != "" {
			reason = why
			continue
		}
		if sound = append(sound, c); len(sound) == wanted {
			slices.Sort(sound)
			return float64(sound[wanted/2]), "", nil
		}
	}
	return 0, reason, nil
}
