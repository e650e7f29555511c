package trial

import (
	"math"
	"strconv"
	"testing"
)

// From 100 to 25 torr a wide hose is no hindrance: V/S ln 4 (the pump-down
// formula of testdata/reference/pumpdown.csv) with the volume that is open,
// whatever was shut on the way.
func TestPulldownTakesItsTime(t *testing.T) {
	compared, shut := 0, 0
	for seed := range uint64(60) {
		one := Scenario{Name: "pulldown", Make: makePulldown}.Of(seed)
		number := func(name string) float64 { v, _ := one.Number(name); return v }
		took, want := number("fall_100_to_25_torr_s"), number("volume_m3")*(1-number("window_share"))/number("pump_m3_per_s")*math.Log(4)
		water := one.Word("water") == "yes" && number("wall_c") > 22 // it may boil on the way
		if took < 0 || water || want < 25 {
			continue
		}
		compared++
		if number("window_share") > 0 {
			shut++
		}
		// Longer through a narrow hose, never shorter: within half a second at
		// each end, a pump 2 % up, and what it lacks near 100 torr.
		most := math.Inf(1)
		if number("hose_bore_m") > 0.012 {
			most = 1.15*want + 2
		}
		if took < 0.96*want-1 || took > most {
			t.Errorf("seed %d: %.1f s from 100 to 25 torr, want from %.1f to %.1f s", seed, took, want, most)
		}
		switch expect := one.Word("expect"); {
		case number("shut_pull") == 0 && expect != "none", expect == "flag" && number("window_share") < 0.4:
			t.Errorf("seed %d: expects %s with %v shut", seed, expect, number("window_share"))
		}
	}
	if compared < 20 || shut < 8 {
		t.Errorf("only %d pulls compared, %d of them with a part shut off", compared, shut)
	}
}

// The transducer's log falls from the atmosphere and crosses both marks as far
// apart as the truth says.
func TestPulldownReadings(t *testing.T) {
	compared := 0
	for seed := range uint64(30) {
		one := Scenario{Name: "pulldown", Make: makePulldown}.Of(seed)
		pulls, _ := one.Number("pulls")
		took, _ := one.Number("fall_100_to_25_torr_s")
		if one.Word("absolute") != "yes" || pulls != 1 || took < 40 {
			continue
		}
		var hi, low float64
		for _, r := range one.Rows {
			if v, err := strconv.ParseFloat(r.Value, 64); err == nil && r.Name == "manifold" {
				s := r.Time.Sub(one.Rows[0].Time).Seconds()
				if hi == 0 && v*1000 < windowHiPa {
					hi = s
				}
				if low == 0 && v*1000 < windowLowPa {
					low = s
				}
			}
		}
		compared++
		near(t, "seed "+strconv.Itoa(int(seed))+": seconds from 100 to 25 torr by its readings", low-hi, took, 0.35)
	}
	if compared < 5 {
		t.Errorf("only %d compared", compared)
	}
}
