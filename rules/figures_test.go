package rules

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var plainFigure = regexp.MustCompile(`^[-+]?(?:\d{1,4}|\d{1,3}(?:,\d{3})+)(?:\.\d+)?$`)

// read is a figure as its reader takes it.
func read(t *testing.T, text string) float64 {
	t.Helper()
	if !plainFigure.MatchString(text) {
		t.Fatalf("%q is no plain figure", text)
	}
	v, err := strconv.ParseFloat(strings.ReplaceAll(text, ",", ""), 64)
	if err != nil {
		t.Fatal(err)
	}
	if v == 0 && strings.HasPrefix(text, "-") {
		t.Fatalf("%q is minus nought", text)
	}
	return v
}

// anyFigures are values of all sizes, of either sign, at and about nought and
// where a digit more begins.
func anyFigures() []float64 {
	r := rand.New(rand.NewPCG(11, 26))
	all := []float64{0, math.Copysign(0, -1)}
	for e := -14.0; e <= 12; e++ {
		for _, m := range []float64{1, 0.9949, 0.9951, 0.99949, 0.99951, 4.9999, 5, 5.0001} {
			all = append(all, m*math.Pow(10, e), -m*math.Pow(10, e))
		}
	}
	for range 20_000 {
		all = append(all, (r.Float64()-0.5)*math.Pow(10, 26*r.Float64()-13))
	}
	return all
}

var scalesUsed = []Scale{Micron, Torr, Pascal, PSI, Kilopascal, InHg, Bar, Megapascal, Kilogram, Celsius, Fahrenheit, Kelvin, Rankine, Percent, Ampere, Volt}

// What is written is the number that is meant: within half of its last digit, in
// plain digits, and never minus nought.
func TestAFigureIsTheNumberThatItStandsFor(t *testing.T) {
	noDoubt := regexp.MustCompile(`^0(\.0+)? `)
	for _, v := range anyFigures() {
		for _, s := range scalesUsed {
			text := s.Write(v)
			got := read(t, text)
			_, after, _ := strings.Cut(text, ".")
			if off := math.Abs(got - v); off > 0.5000001*math.Pow10(-len(after))+1e-12*math.Abs(v) {
				t.Fatalf("%g %s is written %q", v, s.Symbol, text)
			}
			if len(after) > s.Digits {
				t.Fatalf("%g %s is written %q, with more digits than the unit earns", v, s.Symbol, text)
			}
			if digits := strings.Trim(strings.NewReplacer(".", "", ",", "", "-", "").Replace(text), "0"); s.Most > 0 && after != "" && len(digits) > s.Most+1 {
				t.Fatalf("%g %s is written %q: no instrument knows so many digits", v, s.Symbol, text)
			}
			if said := s.Doubt(math.Abs(v) / s.Factor); v != 0 && s.Offset == 0 && math.Abs(v) > 1e-12 && noDoubt.MatchString(said) {
				t.Fatalf("a doubt of %g %s is written %q", v, s.Symbol, said)
			}
		}
		for _, count := range []int{2, 3} {
			text := Significant(v, count)
			got := read(t, text)
			if math.Abs(v) < 4e-13 {
				if got != 0 {
					t.Fatalf("%g with %d digits is written %q", v, count, text)
				}
				continue
			}
			if math.Abs(v) > 1e-9 && math.Abs(got-v) > 0.5000001*math.Pow(10, 1-float64(count))*math.Abs(v) {
				t.Fatalf("%g with %d digits is written %q", v, count, text)
			}
			if digits := strings.TrimLeft(strings.NewReplacer(".", "", "-", "").Replace(text), "0"); strings.Contains(text, ".") && math.Abs(v) > 1e-9 && len(digits) != count {
				t.Fatalf("%g with %d digits is written %q", v, count, text)
			}
			if again := Significant(-v, count); got != 0 && strings.TrimPrefix(again, "-") != strings.TrimPrefix(text, "-") {
				t.Fatalf("%g is %q and its opposite %q", v, text, again)
			}
		}
		if text := WithSign(v, 2); strings.HasPrefix(text, "-") != (read(t, text) < 0) || text[0] != '+' && text[0] != '-' {
			t.Fatalf("%g with its sign is %q", v, text)
		}
	}
}

// By the pound's definition (0.45359237 kg, 16 oz).
func TestAMassInPoundsIsTheMass(t *testing.T) {
	form := regexp.MustCompile(`^(-?)(?:([\d,]+) lb )?(\d+|0\.\d) oz$`)
	for _, v := range anyFigures() {
		text := PoundsOunces(v)
		m := form.FindStringSubmatch(text)
		if m == nil {
			t.Fatalf("%g kg is %q", v, text)
		}
		lb, oz := 0.0, read(t, m[3])
		if m[2] != "" {
			lb = read(t, m[2])
		}
		got := float64(lb*0.45359237) + oz*0.45359237/16
		if m[1] != "" {
			got = -got
		}
		if oz > 15 || m[2] == "0" || m[1] != "" && got == 0 || math.Abs(got-v) > map[bool]float64{true: 0.5001, false: 0.05001}[math.Abs(v) >= 0.0269]*0.45359237/16+1e-9*math.Abs(v) {
			t.Fatalf("%g kg is %q", v, text)
		}
	}
	for kg, want := range map[float64]string{-0.028: "-1 oz", 0.01: "0.4 oz", -0.005: "-0.2 oz", 0: "0 oz", 0.001: "0 oz", -0.001: "0 oz", 0.4527: "1 lb 0 oz", 14.2: "31 lb 5 oz", math.NaN(): "?"} {
		if got := PoundsOunces(kg); got != want {
			t.Errorf("%g kg: %q, want %q", kg, got, want)
		}
	}
}

// A difference of 1 K is one of 1.8 °F; 0 °C is 32 °F; 14.5038 psi are 100 kPa,
// 1 micron is 0.133322 Pa (NIST SP 811, appendix B).
func TestAFigureIsWrittenTheSameWayEverywhere(t *testing.T) {
	for _, x := range []struct {
		step, key string
		v         float64
		si, us    string
	}{
		{"trial-run", "superheat_k", 10.04, "10.0 K", "18.1 °F"}, {"trial-run", "superheat_k", 9.72, "9.7 K", "17.5 °F"},
		{"trial-run", "superheat_k", -0.04, "0.0 K", "-0.1 °F"}, {"trial-run", "superheat_doubt_k", 0.581, "0.6 K", "1.0 °F"},
		{"trial-run", "superheat_doubt_k", 0.004, "less than 0.1 K", "less than 0.1 °F"},
		{"trial-run", "discharge_c", 79.96, "80.0 °C", "175.9 °F"}, {"trial-run", "outdoor_c", -0.04, "0.0 °C", "31.9 °F"},
		{"vacuum-hold", "end_pa", 66.661, "66.7 Pa", "500 micron"}, {"vacuum-hold", "end_pa", 3333.06, "3333 Pa", "25,000 micron"},
		{"pressure-test", "end_pa", 3792116, "3792 kPa", "550.0 psi"}, {"pressure-test", "compensated_change_pa", -2069, "-2.1 kPa", "-0.3 psi"},
		{"weigh-in", "remaining_kg", -0.028, "-0.03 kg", "-1 oz"}, {"weigh-in", "remaining_kg", -0.001, "0.00 kg", "0 oz"},
		{"vacuum-hold", "rise_pa_per_s", 0.0001, "0.00010 Pa/s", "0.045 micron/min"}, {"vacuum-hold", "leak_pa_m3_per_s", 1.234e-5, "0.000012 Pa m³/s", "0.00012 std cm³/s"},
		{"weigh-in", "rate_kg_per_s", 0.0125, "0.75 kg/min", "1.65 lb/min"}, {"weigh-in", "elapsed_s", 3599.6, "1 h", ""}, {"weigh-in", "elapsed_s", 1390, "23 min 10 s", ""},
		{"take-off", "total_length_m", 41.25, "41.25 m", "135.3 ft"}, {"take-off", "pipe_volume_m3", 0.01, "10.0 l", "0.353 ft³"},
		{"branch-check", "pairs", 3, "3", ""},
		{"pressure-test", "detectable_pa_per_s", 1.9152, "6.9 kPa an hour", "1.0 psi an hour"},
		{"evacuation", "volume_ratio", 0.598, "60 %", ""}, {"evacuation", "volume_ratio_low", 0.449, "45 %", ""}, {"evacuation", "volume_ratio_high", 0.797, "80 %", ""},
		{"evacuation", "sure_ratio", 1, "99 %", ""}, {"", "free_ratio", 0.08, "8 %", ""},
	} {
		if _, si, us := Figure(x.step, x.key, x.v); si != x.si || us != x.us {
			t.Errorf("%s %s %g: %q and %q, want %q and %q", x.step, x.key, x.v, si, us, x.si, x.us)
		}
	}
	for key, want := range map[string]string{"limit_pa": "limit", "rise_pa_per_s": "rise", "superheat_doubt_k": "superheat doubt", "sure_ratio": "sure", "room_kg_per_m3": "room", "odd": "odd"} {
		if name, _, _ := Figure("", key, 1); name != want {
			t.Errorf("%s is called %q, want %q", key, name, want)
		}
	}
}

func FuzzFigures(f *testing.F) {
	f.Add("vacuum-hold", "end_pa", 66.66)
	f.Add("trial-run", "superheat_doubt_k", 1e-9)
	f.Fuzz(func(t *testing.T, step, key string, v float64) {
		if _, si, us := Figure(step, key, v); strings.Contains(si+us, "-0 ") || strings.Contains(si, "NaN") || strings.Contains(us, "Inf") {
			t.Errorf("%s %s %g: %q, %q", step, key, v, si, us)
		}
	})
}
