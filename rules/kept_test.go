package rules

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// What is kept of a scale's readings is what is found anew from them.
func TestWhatIsKeptOfAScaleIsWhatItsReadingsSay(t *testing.T) {
	for seed := range uint64(30) {
		r := rand.New(rand.NewPCG(seed, 7))
		digit := []float64{0.001, 0.005, 0.02}[seed%3]
		p := &platform{point: "scale", cylinder: 1}
		var now time.Duration
		kg, rate := 20.0, 0.0
		asked, stops := 0, 0
		for range 600 {
			dt := time.Duration(500+r.IntN(4000)) * time.Millisecond
			if r.IntN(100) == 0 {
				dt += time.Duration(r.IntN(90)) * time.Second
			}
			now += dt
			switch r.IntN(60) {
			case 0:
				rate = 0.01 * r.Float64()
			case 1:
				rate = 0
			case 2:
				kg += 0.5 * (r.Float64() - 0.5)
			}
			kg -= float64(rate * dt.Seconds())
			p.weigh(sample{now, math.Round((kg+float64(0.4*digit*r.NormFloat64()))/digit) * digit})

			if sd, anew := p.noise.sigma(), p.noise.deviation(); sd != anew {
				t.Fatalf("seed %d at %v: a standard deviation of %g is kept, %g is found", seed, now, sd, anew)
			}
			if wider, anew := p.noise.inflation(), p.noise.widening(); wider != anew {
				t.Fatalf("seed %d at %v: a correlation's widening of %g is kept, %g is found", seed, now, wider, anew)
			}
			for name, z := range map[string]*sizes{"curved": &p.noise.curved, "waved": &p.noise.waved} {
				n := min(z.seen, len(z.of))
				few := slices.Clone(z.of[:n])
				if slices.Sort(few); !slices.Equal(few, z.sorted[:n]) {
					t.Fatalf("seed %d at %v: of what has %s these are kept in order, %v, and these are, %v", seed, now, name, z.sorted[:n], few)
				}
			}
			asked++
			if ss := p.own(); len(ss) > 2 && asked%5 == 0 {
				stops += sameStops(t, p, ss)
			}
		}
		if p.noise.levels == 0 || p.noise.curved.seen <= len(p.noise.curved.of) || stops < 100 {
			t.Errorf("seed %d: %d levels, %d bends and %d stops: too few to show anything", seed, p.noise.levels, p.noise.curved.seen, stops)
		}
	}
}

// sameStops weighs each moment at which the flow may have stopped by all readings
// anew, and holds it against what kept sums say.
func sameStops(t *testing.T, p *platform, ss []sample) (n int) {
	t.Helper()
	stands, _ := p.stopped(ss)
	last, m := ss[len(ss)-1], float64(len(ss))
	blur := p.noise.blur()
	each := blur * blur
	anew := func(stop float64) (kg, chi float64) {
		var mean, off float64
		at := make([]float64, len(ss))
		for i, s := range ss {
			at[i] = min(0, (s.t-last.t).Seconds()-stop)
			mean, off = mean+at[i]/m, off+(s.v-last.v)/m
		}
		var wide, with float64
		for i, s := range ss {
			x := at[i] - mean
			wide, with = wide+float64(x*x), with+float64(x*(s.v-last.v))
		}
		fall := 0.0
		if wide > 1e-9 {
			fall = max(0, -with/wide)
		}
		for i, s := range ss {
			d := s.v - last.v - off + float64(fall*(at[i]-mean))
			chi += float64(d * d)
		}
		return last.v + off + float64(fall*mean), chi / each
	}
	same := func(stop float64) {
		kg, chi := anew(stop)
		s := stands[n]
		if math.Abs(s.kg-kg) > 1e-7 || math.Abs(s.chi-chi) > 1e-6*(1+chi) {
			t.Fatalf("%d readings, a stop %g s before the last: %.9f kg and %.9f by kept sums, %.9f and %.9f by the readings", len(ss), -stop, s.kg, s.chi, kg, chi)
		}
		n++
	}
	same(0)
	for k, s := range ss[:len(ss)-1] {
		at := (s.t - last.t).Seconds()
		span := (ss[k+1].t - s.t).Seconds()
		parts := 1
		if flowed := s.v - ss[k+1].v; flowed > blur {
			parts = int(min(flowed/blur, stopsMost)) + 1
		}
		for i := range parts {
			same(at + span*float64(i)/float64(parts))
		}
	}
	if n != len(stands) {
		t.Fatalf("%d stops were weighed, %d are given", n, len(stands))
	}
	return n
}

// A hose that is laid on the empty platform makes no other cylinder of the one that
// comes back.
func TestWhatIsLaidOnAnEmptyPlatformIsNoOtherCylinder(t *testing.T) {
	for _, hose := range []float64{0.06, 0.075} {
		for seed := range uint64(10) {
			r := rand.New(rand.NewPCG(seed, 3))
			p := &platform{point: "scale", cylinder: 1}
			kg := 20.0
			for s := range 1200 {
				shown := kg
				switch {
				case s > 560 && s < 700:
					shown = hose
				case s >= 500 && s < 700:
					shown = 0
				case s > 60 && s < 400 || s > 760 && s < 1100:
					kg -= 0.0025
				}
				p.weigh(sample{time.Duration(s) * time.Second, math.Round((shown+float64(0.015*r.NormFloat64()))/0.005) * 0.005})
			}
			if p.cylinder != 1 || p.lifted {
				t.Errorf("hose of %g kg, seed %d: cylinder %d, lifted: %v", hose, seed, p.cylinder, p.lifted)
			}
		}
	}
}
