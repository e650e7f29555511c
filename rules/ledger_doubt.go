package rules

import (
	"math"
	"time"
)

// doubt is the stretch of a ledger that leaves most of the charge unknown.
type doubt struct {
	kg           float64 // between the least and the most that it may have been
	why          string  // as a segment ended, or one of those below
	from, until  time.Duration
	fromKg, toKg float64 // what the scale showed before and after
	regained     bool    // the cylinder, lifted off and put back, tells it
}

const (
	doubtBetween = "between" // what flowed from one step to the next
	doubtNoise   = "noise"   // of the scale
	doubtJump    = "jump"    // that may have been flow
	doubtHand    = "hand"    // a person weighed otherwise than the scale
	doubtPutOn   = "put-on"  // a hand on the cylinder that was put on
	doubtRain    = "rain"    // or what else makes a weight rise at rest
)

// doubtful finds it.
func (l *ledger) doubtful(c charge) (d doubt) {
	worse := func(than doubt) {
		if than.kg > d.kg {
			d = than
		}
	}
	worse(doubt{kg: float64(4 * c.seKg), why: doubtNoise})
	worse(doubt{kg: l.before.highKg - l.before.lowKg, why: EndedStep})
	for _, p := range l.platforms {
		open := doubt{kg: p.betweenKg + p.betweenHi, why: doubtBetween}
		if p.hand != (leeway{}) {
			open.why = doubtPutOn
		}
		worse(open)
		if times := p.byHand.times(p.cylinder); times != 1 {
			worse(doubt{kg: math.Abs(times-1) * c.bestKg, why: doubtHand, fromKg: p.byHand.kg, toKg: p.byHand.asKg})
		}
		worse(doubt{kg: p.rain.kg(p.units.digit()), why: doubtRain})
		for i, r := range p.rows {
			of := doubt{kg: r.HighKg - r.LowKg, why: r.Ended, from: r.Since, until: r.Until, fromKg: r.ToKg, toKg: p.start.kg}
			if i+1 < len(p.rows) {
				of.toKg = p.rows[i+1].FromKg
			}
			if r.Unseen && i > 0 { // why nobody saw it says the row before
				of.why, of.fromKg, of.toKg, of.regained = p.rows[i-1].Ended, r.FromKg, r.ToKg, p.zeroedRow == i+1
			}
			if r.Ended == EndedShift && r.Until == r.Since && r.BestKg == 0 {
				of.why, of.fromKg, of.toKg = doubtJump, r.FromKg, r.ToKg
			}
			worse(of)
		}
	}
	return d
}
