package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// A charge label stays inside the unit's panel: what is in the pipes, how long
// they are, what was proved of them, when, and by whom. Who opens the panel in
// five years knows no more than what stands there, so nothing on it is made
// up: what is not known is a ruled blank that somebody fills in by pen.

// chargeLabel is a label before it is drawn or typed.
type chargeLabel struct {
	Site, System, Job string
	Refrigerant       string
	Warming           string // GWP and CO2 equivalent, with its source; empty: the site file gives none
	Factory           amount
	Added             amount
	Total             amount
	Notes             []string // how far the figures can be trusted, a sentence each
	Liquid, Gas       []pipeSize
	Pressure, Vacuum  labelProof
	Charged           time.Time // in the site's zone; zero: not known
	Who               []labelSigner
	Key               string // the box's, as verify prints it; empty: none
	Made              time.Time
}

// amount is a mass in the system, as far as it is known.
type amount struct {
	Known         bool
	Kg            float64
	LowKg, HighKg float64
	Wide          bool   // so far apart that they stand in the place of Kg
	How           string // weighed, in part weighed, ...; empty: nothing to say
}

// band reports whether the amount is a range rather than one figure.
func (a amount) band() bool { return a.Known && a.Wide }

// between is an amount known as well as its range says. What a scale's own noise
// leaves open is no range to write on a label: it is within what a weigh-in may
// be off its target, 1 % or 0.1 kg, whichever is more (common practice).
func between(low, best, high float64) amount {
	return amount{Known: true, Kg: best, LowKg: low, HighKg: high, Wide: max(high-best, best-low) > max(0.1, 0.01*best)}
}

// pipeSize is how much pipe of one outside diameter there is.
type pipeSize struct{ OutsideM, LengthM float64 }

// proof is what a test came to: a sentence, empty where nothing is known.
type labelProof struct{ Text string }

type labelSigner struct{ Name, Role string }

// plus is the whole of two amounts, known where both are.
func (a amount) plus(b amount) amount {
	if !a.Known || !b.Known {
		return amount{}
	}
	return amount{Known: true, Kg: a.Kg + b.Kg, LowKg: a.LowKg + b.LowKg, HighKg: a.HighKg + b.HighKg, Wide: a.Wide || b.Wide}
}

func exactly(kg float64) amount { return amount{Known: true, Kg: kg, LowKg: kg, HighKg: kg} }

// sizes adds lengths up by outside diameter, the thinnest first. Copper that is
// sold as 15.88, 15.875 and 15.9 mm is one size.
func sizes(all []pipeSize) (sums []pipeSize) {
	for _, p := range all {
		i := slices.IndexFunc(sums, func(s pipeSize) bool { return math.Abs(s.OutsideM-p.OutsideM) < 0.06e-3 })
		if i < 0 {
			sums = append(sums, p)
			continue
		}
		sums[i].LengthM += p.LengthM
	}
	slices.SortFunc(sums, func(a, b pipeSize) int {
		switch {
		case a.OutsideM < b.OutsideM:
			return -1
		case a.OutsideM > b.OutsideM:
			return 1
		}
		return 0
	})
	return sums
}

const (
	mInInch    = 0.0254
	sixteenths = 16
)

// inches says a tube's outside diameter as the trade does, 3/8 in., where it is
// one of the sizes sold (ASTM B280); else empty.
func inches(m float64) string {
	n := int(math.Round(m / mInInch * sixteenths))
	if n == 0 || math.Abs(m-float64(n)*mInInch/sixteenths) > 0.1e-3 {
		return ""
	}
	whole, part, of := n/sixteenths, n%sixteenths, sixteenths
	for part > 0 && part%2 == 0 {
		part, of = part/2, of/2
	}
	switch {
	case part == 0:
		return fmt.Sprintf("%d in", whole)
	case whole == 0:
		return fmt.Sprintf("%d/%d in", part, of)
	}
	return fmt.Sprintf("%d %d/%d in", whole, part, of)
}

// millimetres says a diameter with the digits that tubes are sold by.
func millimetres(m float64) string {
	s := fmt.Sprintf("%.2f", m*1e3)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// labelDay is a date that nobody reads the wrong way round.
func labelDay(t time.Time) string { return t.Format("2006-01-02") }
