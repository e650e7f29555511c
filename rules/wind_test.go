package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// What rises in gusts is none that was laid on: with nothing but flow and wind of
// 20 g in gusts (an invented wind: it forgets itself within 2.5 s), the mass is the
// fall of the weight, whatever was taken for a shift meanwhile.
func TestGustsLeaveNothingInTheLedger(t *testing.T) {
	const trials = 60
	wrong, worst := 0, 0.0
	for seed := range uint64(trials) {
		r := rand.New(rand.NewPCG(seed, 11))
		p := &platform{point: "scale", cylinder: 1}
		kg, wind, gust := 22.0, 0.0, 0.1
		for i := range 600 {
			if i > 30 && i < 570 && i/90%2 == 0 {
				kg -= float64(0.15 / 30 * (0.5 + r.Float64()))
			}
			if r.IntN(25) == 0 {
				gust = []float64{0.1, 0.2, 0.5, 1}[r.IntN(4)]
			}
			wind = float64(wind*math.Exp(-2/2.5)) + float64(math.Sqrt(1-math.Exp(-4/2.5))*r.NormFloat64())
			if i < 15 || i >= 585 { // calm when it is read for good
				gust = 0
			}
			p.weigh(sample{time.Duration(2*i) * time.Second, math.Round((kg+float64(0.02*gust*wind))/0.005) * 0.005})
		}
		p.finish()
		charged := p.openKg()
		for _, row := range p.rows {
			charged += row.BestKg
		}
		l := &ledger{platforms: []*platform{p}}
		c, told := l.charge(Setting{}, false), charge{}
		for _, row := range l.segments() {
			told.lowKg, told.bestKg, told.highKg = told.lowKg+row.LowKg, told.bestKg+row.BestKg, told.highKg+row.HighKg
		}
		if max(math.Abs(told.lowKg-c.lowKg), math.Abs(told.bestKg-c.bestKg), math.Abs(told.highKg-c.highKg)) > 1e-4 {
			t.Errorf("seed %d: the rows come to %+v, the charge to %+v", seed, told, c)
		}
		if c.unweighedKg > 0.02 {
			t.Errorf("seed %d: %.3f kg is said to be seen by no scale, which was never silent", seed, c.unweighedKg)
		}
		off := math.Abs(charged - (22 - kg))
		if worst = max(worst, off); off > 0.03 {
			wrong++
		}
	}
	if wrong > trials/4 || worst > 0.1 { // 20 and 126 g where each shift was believed
		t.Errorf("%d of %d masses are more than 30 g wrong, the worst by %.0f g", wrong, trials, 1000*worst)
	}
}
