package rules

import "testing"

// A hold that nobody ends keeps what it needs and no more; its verdict stands,
// and what comes late is not lost on the curve.
func TestAHoldNobodyEndsForgetsItsReadings(t *testing.T) {
	var j *vacuumHold
	watched := VacuumRising
	watched.Begin = func(s Start) Judge {
		j = VacuumRising.Begin(s).(*vacuumHold)
		return j
	}
	e := feed{Engine: NewEngine(holdSite, []Rule{watched})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "vacuum-hold"})
	most := 0
	for s := 1.0; s < 3*3600; s++ {
		e.read(1, s, "gauge", (250+12*min(s/3600, 1)+float64(int(s)%3))*micronPa)
		most = max(most, len(j.ss))
	}
	if most > 3700 {
		t.Errorf("%d readings are kept", most)
	}
	if j.result != Passed || !j.forgot {
		t.Errorf("result %q, forgot %v", j.result, j.forgot)
	}
	of := func() (n float64) {
		for _, b := range j.buckets {
			n += b.n
		}
		return n
	}
	before := of()
	if j.read(sample{asTime(1800), 256 * micronPa}); of() != before+1 {
		t.Errorf("%g readings in the curve, one came late to %g", of(), before)
	}
}
