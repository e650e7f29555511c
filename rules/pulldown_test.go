package rules

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

// invented is a pull made for trials, by steps in time and with its own sums:
// the pressure at the pump is found from the throughput, step by step.
type invented struct {
	volumeL, pumpLs float64 // as they are
	boreMm, lengthM float64
	share           float64 // of the volume that is open
	shutAtPa        float64 // the part shuts when the pressure passes this; 0: shut from the beginning
	every           float64 // s
	noisePa, zeroPa float64
	fromPa          float64
	startsBefore    float64 // the log begins so much later than the pump
}

// conductanceLs is the field guide's formula (step 2), viscous and molecular
// terms without the bridge, which between 100 and 25 torr changes nothing.
func conductanceLs(boreMm, lengthM, meanPa float64) float64 {
	d, l, p := boreMm/10, lengthM*100, meanPa/100
	return 135*d*d*d*d*p/l + 12.1*d*d*d/l
}

func (v invented) readings(r *rand.Rand) (ss []sample) {
	const dt = 0.1
	p := v.fromPa
	for i := 0; p > 400 && i < 40000; i++ {
		t := float64(i)*dt - v.startsBefore
		if n := math.Round(t / v.every); t >= 0 && math.Abs(t-n*v.every) < dt/2 {
			shown := math.Round((p+v.zeroPa+v.noisePa*r.NormFloat64())/100) * 100
			ss = append(ss, sample{time.Duration(n * v.every * 1e9), max(shown, 0)})
		}
		low, high := 0.0, p
		for range 30 {
			mid := (low + high) / 2
			if v.pumpLs*mid > conductanceLs(v.boreMm, v.lengthM, (p+mid)/2)*(p-mid) {
				high = mid
			} else {
				low = mid
			}
		}
		open := v.volumeL
		if v.shutAtPa == 0 || p < v.shutAtPa {
			open *= v.share
		}
		p -= v.pumpLs * low / open * dt
	}
	return ss
}

// flagged feeds pulls to the engine, each after a nitrogen break, and says how
// each was flagged.
func flagged(site Site, pulls ...[]sample) (urgencies []string) {
	e := feed{Engine: NewEngine(site, []Rule{Evacuation})}
	e.next(1, 0, &Started{})
	e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
	at := 0.0
	for _, ss := range pulls {
		for _, s := range ss {
			e.read(1, at+s.t.Seconds()+0.001, "abs", s.v)
		}
		got := ""
		for _, f := range e.Open() {
			if f.Flag == "pulldown-too-fast" {
				got = f.Urgency.String()
			}
		}
		urgencies = append(urgencies, got)
		at += ss[len(ss)-1].t.Seconds() + 60
		for range 20 {
			at += 10
			e.read(1, at, "abs", 115e3)
		}
		at += 10
	}
	return urgencies
}

// known is a site whose pump, volume and hose are given.
func known(pumpLs, volumeL float64, bore, length float64) Site {
	step := map[string]Setting{"pump": {Value: pumpLs / 1e3, Given: true}}
	if bore > 0 {
		step["hose-bore"], step["hose-length"] = Setting{Value: bore / 1e3, Given: true}, Setting{Value: length, Given: true}
	}
	if pumpLs == 0 {
		delete(step, "pump")
	}
	return Site{Points: []sensors.Point{absolute, micronAt}, Systems: []System{{PipeM3: volumeL / 1e3, Steps: map[string]map[string]Setting{"evacuation": step}}}}
}

// trials is how many of each kind: TRIALS asks for more.
func trials() int {
	if n, err := strconv.Atoi(os.Getenv("TRIALS")); err == nil {
		return n
	}
	return 60
}

func drawPull(r *rand.Rand) invented {
	return invented{volumeL: 50 + 250*r.Float64(), pumpLs: 1.9 + 4*r.Float64(), share: 1,
		boreMm: []float64{6.4, 8, 9.5, 13}[r.IntN(4)], lengthM: 1 + 2*r.Float64(), every: []float64{1, 2, 5, 10}[r.IntN(4)],
		noisePa: 100 * r.Float64(), fromPa: 101325}
}

// Source: issue 3, what must be shown: where pump speed and volume are known to
// 10 %, 40 % or more of the volume shut off is flagged in 95 %, and falsely in
// at most 2 %.
func TestPartShutOffAgainstTheTakeOff(t *testing.T) {
	for _, hoseGiven := range []bool{true, false} {
		r := rand.New(rand.NewPCG(7, 7))
		n, found, wrongly := trials(), 0, 0
		for range n {
			v := drawPull(r)
			pump, volume := v.pumpLs*(0.9+0.2*r.Float64()), v.volumeL*(0.9+0.2*r.Float64())
			bore := v.boreMm
			if !hoseGiven {
				bore = 0
			}
			site := known(pump, volume, bore, v.lengthM)
			if u := flagged(site, v.readings(r)); u[0] != "" {
				wrongly++
				t.Logf("false %s: %+v", u[0], v)
			}
			v.share = 0.6 - 0.3*r.Float64()
			if u := flagged(site, v.readings(r)); u[0] != "" {
				found++
			} else {
				t.Logf("missed: %+v", v)
			}
		}
		t.Logf("hose given %v: found %d, false %d of %d", hoseGiven, found, wrongly, n)
		if float64(found) < 0.95*float64(n) || float64(wrongly) > 0.02*float64(n) {
			t.Errorf("hose given %v: found %d, false %d of %d", hoseGiven, found, wrongly, n)
		}
	}
}

// Source: the same, with an earlier pull of the same rig, and nothing else known.
func TestPartShutOffAgainstAnEarlierPull(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	n, found, wrongly := trials(), 0, 0
	for range n {
		v := drawPull(r)
		site := known(0, 0, 0, 0)
		first := v.readings(r)
		if u := flagged(site, first, v.readings(r)); u[0]+u[1] != "" {
			wrongly++
			t.Logf("false %s: %+v", u, v)
		}
		v.share = 0.6 - 0.3*r.Float64()
		if u := flagged(site, first, v.readings(r)); u[1] != "" {
			found++
		} else {
			t.Logf("missed: %+v", v)
		}
	}
	t.Logf("found %d, false %d of %d", found, wrongly, n)
	if float64(found) < 0.95*float64(n) || float64(wrongly) > 0.02*float64(n) {
		t.Errorf("found %d, false %d of %d", found, wrongly, n)
	}
}

// Source: the field guide, step 2: a step in mid-pull wakes. In small pipework
// (50 to 80 l) all is over in the first seconds, which tell nothing.
func TestPartShutInMidPull(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 9))
	n, woke, told := trials(), 0, 0
	for range n {
		v := drawPull(r)
		v.every = []float64{1, 2}[r.IntN(2)]
		v.share = 0.6 - 0.3*r.Float64()
		v.shutAtPa = 8e3 + 27e3*r.Float64()
		switch flagged(known(0, 0, 0, 0), v.readings(r))[0] {
		case "wake":
			woke++
		case "tell":
			told++
		default:
			t.Logf("missed: %+v", v)
		}
	}
	t.Logf("woke %d, told %d of %d", woke, told, n)
	if float64(woke) < 0.9*float64(n) {
		t.Errorf("woke %d, told %d of %d", woke, told, n)
	}
}

// A site that names no pump raises a suspicion only where all of the pipework
// would need a pump that nobody carries; a gauge alone is told as no proof.
func TestSuspicionSaysThatItIsOne(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	v := invented{volumeL: 120, pumpLs: 4.7, boreMm: 19, lengthM: 1, share: 0.25, every: 1, noisePa: 50, fromPa: 101325}
	site := known(0, 120, 0, 0)
	if u := flagged(site, v.readings(r)); u[0] != "tell" {
		t.Errorf("a quarter, pump not known: %q", u[0])
	}
	v.share = 1
	if u := flagged(site, v.readings(r)); u[0] != "" {
		t.Errorf("all of it, pump not known: %q", u[0])
	}

	for share, want := range map[float64]string{1: "", 0.8: "", 0.4: "tell"} {
		site := known(4.7, 120, 19, 1)
		site.Points = site.Points[1:]
		e := feed{Engine: NewEngine(site, []Rule{Evacuation})}
		e.next(1, 0, &Started{})
		e.next(1, 0, &Told{Kind: "begin", Name: "evacuation"})
		for s := 1.0; s < 600; s++ {
			if pa := 101325 * math.Exp(-s*4.7/(120*share)); pa < gaugeTopPa {
				e.read(1, s, "gauge", max(pa*(1+0.03*r.NormFloat64()), 40))
			}
		}
		got := ""
		for _, f := range e.Open() {
			if f.Flag == "pulldown-too-fast" {
				got = f.Urgency.String()
				if !strings.Contains(f.Text, "cannot prove") {
					t.Error(f.Text)
				}
			}
		}
		if got != want {
			t.Errorf("by the gauge alone, %g of it: %q, want %q", share, got, want)
		}
	}
}

// What a transducer shows in a deep vacuum is its zero, also a little below
// nought; far off, above or below, it is no zero.
func TestATransducersZeroLiesNearNought(t *testing.T) {
	for _, c := range []struct {
		shows, zero float64 // Pa
		n           int
	}{
		{650, 600, 1}, {-80, -130, 1}, {-5000, 0, 0}, {5000, 0, 0},
	} {
		v := volume{}
		v.fall.done = true
		v.zero(sample{time.Minute, c.shows}, sample{time.Minute, 50}, true)
		if v.zeroN != c.n || v.zeroPa != c.zero {
			t.Errorf("at 50 Pa it shows %g Pa: a zero of %g Pa from %d readings, want %g from %d", c.shows, v.zeroPa, v.zeroN, c.zero, c.n)
		}
	}
}
