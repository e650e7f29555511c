package record

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"standwatch/rules"
)

// poundsOf is a mass in pounds and whole ounces, and in tenths below one, by the pound's definition
// (0.45359237 kg, 16 oz) and whole numbers alone: half an ounce and more is one.
func poundsOf(kg float64) string {
	micrograms := int64(math.Round(kg * 1e9))
	const ounce = 28_349_523_125 // micrograms, in thousandths
	if tenths := (micrograms*10_000 + ounce/2) / ounce; tenths > 0 && tenths < 10 {
		return fmt.Sprintf("0.%d oz", tenths)
	}
	oz := (micrograms*1000 + ounce/2) / ounce
	if oz < 16 {
		return fmt.Sprintf("%d oz", oz)
	}
	return fmt.Sprintf("%d lb %d oz", oz/16, oz%16)
}

// Kilograms and ounces round each for itself, and sixteen ounces are a pound.
func TestPoundsAndOuncesCarry(t *testing.T) {
	for kg, want := range map[float64]string{
		0.996: "2 lb 3 oz", 0.4527: "1 lb 0 oz" /* 15.97 oz */, 0.4394: "15 oz" /* 15.499 oz */, 0.4395: "1 lb 0 oz", /* 15.503 oz */
		0.907: "2 lb 0 oz", 34.577: "76 lb 4 oz", 0.004: "0.1 oz", 13.59: "29 lb 15 oz",
	} {
		if got := rules.PoundsOunces(kg); got != want || poundsOf(kg) != want {
			t.Errorf("%g kg: %s, reckoned apart %s, want %s", kg, got, poundsOf(kg), want)
		}
	}
	r := rand.New(rand.NewPCG(5, 5))
	for range 20_000 {
		kg := math.Round(r.Float64()*80e3) / 1e3
		if got := rules.PoundsOunces(kg); got != poundsOf(kg) || strings.Contains(got, "16 oz") {
			t.Fatalf("%g kg: %s, want %s", kg, got, poundsOf(kg))
		}
	}
}

var massOnPaper = regexp.MustCompile(`\d+\.\d\d kg \((?:\d+ lb )?\d+(?:\.\d)? oz\)`)

// The sheet, the letters, the code and the record say the same masses.
func TestRealLabelSaysWhatTheRecordSays(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for i := range 200 {
		rec := charged()
		rec.Charge.FactoryKg = math.Round(r.Float64()*30e3) / 1e3
		rec.Charge.AdditionalKg = math.Round(r.Float64()*30e3) / 1e3
		if i == 0 {
			rec.Charge.FactoryKg, rec.Charge.AdditionalKg = 0.996, 0.4527
		}
		rec.Charge.LowKg, rec.Charge.HighKg = rec.Charge.AdditionalKg, rec.Charge.AdditionalKg
		rec.Charge.TotalKg = rec.Charge.FactoryKg + rec.Charge.AdditionalKg
		l := labelOf(rec, "")
		var paper string
		for _, b := range Lay(rec).Blocks {
			facts, _ := b.(Facts)
			for _, f := range facts {
				if f.Label == "Factory + additional = total" {
					paper = f.Text
				}
			}
		}
		want := massOnPaper.FindAllString(paper, -1)
		if len(want) != 3 {
			t.Fatalf("the record says %q", paper)
		}
		for what, text := range map[string]string{"letters": l.text(), "code": l.codeText()} {
			if got := massOnPaper.FindAllString(text, 3); !slices.Equal(got, want) {
				t.Errorf("the %s say %q, the record %q", what, got, want)
			}
		}
		tonnes := strconv.FormatFloat(rec.Charge.TotalKg*2088/1000, 'f', 1, 64) + " t CO2e"
		if !strings.Contains(l.Warming, tonnes) {
			t.Errorf("%q, want %s", l.Warming, tonnes)
		}
		if i > 0 {
			continue
		}
		sheet := wordsOf(t, labelFile(t, l, A6))
		for _, m := range want {
			kg, lb, _ := strings.Cut(strings.TrimSuffix(m, ")"), " (")
			if !strings.Contains(sheet, kg) || !strings.Contains(sheet, lb) {
				t.Errorf("the sheet lacks %q: %s", m, sheet)
			}
		}
	}
}

// Two outdoor units of which one alone is known make no factory charge: a blank
// for the pen, and the name of the one that is missing.
func TestHalfAFactoryChargeIsNone(t *testing.T) {
	rec := charged()
	rec.Charge.FactoryKg, rec.Charge.TotalKg, rec.Charge.FactoryOpen = 0, 0, []string{"ou2"}
	l := labelOf(rec, "")
	text := l.text()
	for _, want := range []string{labelFactory + ": ______ kg", labelTotal + ": ______ kg", "ou2", "t CO2e = total kg x GWP / 1000"} {
		if !strings.Contains(strings.Join(strings.Fields(text), " "), want) {
			t.Errorf("the label lacks %q:\n%s", want, text)
		}
	}
	for _, b := range Lay(rec).Blocks {
		facts, _ := b.(Facts)
		for _, f := range facts {
			if f.Label == "Factory" && f.Text != "not in the site file for ou2" || f.Label == "CO₂ equivalent" || strings.HasPrefix(f.Label, "Factory +") {
				t.Errorf("the record says %+v", f)
			}
		}
	}
}
