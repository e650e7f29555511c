package trial_test

import (
	"math"
	"testing"
	"time"

	"standwatch/daemon/simulate/trial"
)

// The field guide's example 16: 6 h from 08:00; 10 min off: due 14:10. 40 min
// off with a cold sump: due 16:40; with a warm one: 14:40. Here of the trials:
// where nothing set the clock back, the time is met when so much time has
// passed as is asked, and as long again as the power was off.
func TestPreheatDueTimes(t *testing.T) {
	paused, setBack := 0, 0
	for seed := range uint64(60) {
		one := of(t, "preheat").Of(seed)
		due, met := one.Number("due_s")
		lasts, _ := one.Number("lasts_s")
		if !met {
			if one.Word("result") != "stopped" {
				t.Errorf("seed %d: %s and never met", seed, one.Word("result"))
			}
			continue
		}
		begun := 0.0
		for _, r := range one.Rows {
			if r.Kind == "begin" {
				begun = r.Time.Sub(one.Rows[0].Time).Seconds()
			}
		}
		off, outs := 0.0, outages(one)
		for _, o := range outs {
			if o[0] < due {
				off += min(o[1], due) - o[0]
			}
		}
		want := begun + lasts + off
		if back, _ := one.Number("restarts"); back > 0 {
			setBack++
			longest, last := 0.0, 0.0
			for _, o := range outs {
				if o[0] < due {
					longest = max(longest, o[1]-o[0])
				}
				if o[0] < due && o[1]-o[0] > 900 {
					last = o[1]
				}
			}
			if longest <= 900 || due > last+lasts+off || due < want {
				t.Errorf("seed %d: set back, due at %.0f s, the last long interruption ended at %.0f s", seed, due, last)
			}
			continue
		}
		if heard(one) && math.Abs(due-want) > 1e-6 && begunLate(one) == 0 {
			t.Errorf("seed %d: due at %.0f s, want %.0f", seed, due, want)
		}
		if off > 0 {
			paused++
		}
	}
	if paused < 10 || setBack < 5 {
		t.Errorf("%d paused, %d set back: too few to judge by", paused, setBack)
	}
}

func outages(one trial.Trial) (outs [][2]float64) {
	for _, f := range one.Truth {
		if f.Name == "off_s" {
			outs = append(outs, [2]float64{f.Number, 0})
		}
		if f.Name == "on_s" {
			outs[len(outs)-1][1] = f.Number
		}
	}
	return outs
}

// begunLate is for how long there was no power from the begin on.
func begunLate(one trial.Trial) time.Duration {
	var begun time.Time
	for _, r := range one.Rows {
		if r.Kind == "begin" {
			begun = r.Time
		}
		if r.Name == "outdoor-power" && !begun.IsZero() {
			if r.Value == "0" || r.Value < "0.1" {
				return r.Time.Sub(begun) + time.Second
			}
			return 0
		}
	}
	return 0
}

func heard(one trial.Trial) bool { v, _ := one.Number("power_unheard_s"); return v == 0 }
