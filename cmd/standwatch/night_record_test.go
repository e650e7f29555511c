package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// TestDemoIsWhatItsRecordSays plays a night and holds its record against what
// was found in it: each figure of each verdict stands in the CSV as the judge
// gave it, sums come from their rows, and another program finds the figures in
// the paper, as this test rounds them and not as the record does.
func TestDemoIsWhatItsRecordSays(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "night")
	out, err := exec.Command("standwatch", "demo", "--once", "--seed", "11", "--speed", "0", "--listen", "127.0.0.1:0", "--data", dir).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	data := filepath.Join(dir, "data")
	r, err := journal.OpenReader(t.Context(), data)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	type judged struct {
		begin uint64
		unit  string
	}
	last := map[judged]rules.Finding{}
	for after := int64(0); ; {
		page, err := r.Findings(t.Context(), after, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			break
		}
		for _, f := range page {
			after = f.ID
			if f.Edge == rules.Given {
				last[judged{f.Begin, f.Unit}] = f.Finding
			}
		}
	}

	sheet, status, complaint := recordOf(t, "--data", data, "--format", "csv")
	if status != exitDone {
		t.Fatal(complaint)
	}
	rows, err := csv.NewReader(strings.NewReader(sheet)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	const part, step, unit, key, value, text = 0, 3, 5, 6, 7, 9
	pdf, status, complaint := recordOf(t, "--data", data, "--format", "pdf", "--out", "-")
	if status != exitDone {
		t.Fatal(complaint)
	}
	reader := exec.Command("pdftotext", "-raw", "-", "-")
	reader.Stdin = strings.NewReader(pdf)
	printed, err := reader.Output()
	if err != nil {
		t.Fatalf("pdftotext: %v (deploy/needs paper installs it)", err)
	}
	flat := strings.Join(strings.Fields(string(printed)), "") // a cell may be broken over lines
	onPaper := func(what, format string, args ...any) {
		t.Helper()
		if want := fmt.Sprintf(format, args...); !strings.Contains(flat, strings.ReplaceAll(want, " ", "")) {
			t.Errorf("the paper lacks %q: %s", want, what)
		}
	}

	splits := 0
	for _, f := range last {
		in := "figure"
		if f.Unit != "" {
			in = "verdict"
		}
		for _, v := range f.Values {
			want := strconv.FormatFloat(v.Number, 'f', -1, 64)
			if !slices.ContainsFunc(rows, func(r []string) bool {
				return r[part] == in && r[step] == f.Step && r[unit] == f.Unit && r[key] == v.Key && r[value] == want
			}) {
				t.Errorf("%s %s %s: the judge said %s, the CSV does not", f.Step, f.Unit, v.Key, want)
			}
			switch {
			case v.Key == "split_k":
				splits++
				onPaper("the split of "+f.Unit, "%s K", strconv.FormatFloat(v.Number, 'g', 3, 64))
			case f.Step == "vacuum-hold" && (v.Key == "end_pa" || v.Key == "peak_pa" || v.Key == "start_pa" || v.Key == "limit_pa"):
				// A micron of mercury is 101325/760000 Pa.
				onPaper("the hold's "+v.Key, "%s Pa (%.0f micron)", strconv.FormatFloat(v.Number, 'g', 3, 64), v.Number/101325*760000)
			}
		}
		// What it was found to be is told in its words: as much in the CSV as in the journal.
		if !slices.ContainsFunc(rows, func(r []string) bool {
			return r[part] == "verdict" && r[step] == f.Step && r[unit] == f.Unit && r[key] == f.Result && r[text] == f.Text
		}) {
			t.Errorf("%s %s: the verdict %s (%s) is not in the CSV", f.Step, f.Unit, f.Result, f.Text)
		}
	}
	if len(last) < 12 || splits < 12 {
		t.Errorf("only %d verdicts and %d splits: was that a night of twelve units?", len(last), splits)
	}

	charge, sums := map[string]float64{}, map[string]float64{}
	type size struct {
		line, diameter string
	}
	lengths, diameter := map[size]float64{}, ""
	var liquidKg float64
	for _, r := range rows[1:] {
		v, _ := strconv.ParseFloat(r[value], 64) // of rows without a number nothing is made
		switch {
		case r[part] == "charge":
			charge[r[key]] = v
		case r[part] == "take-off" && r[unit] == "":
			sums[r[key]] = v
		case r[part] == "take-off" && r[key] == "outside_diameter_m":
			diameter = r[value]
		case r[part] == "take-off" && r[key] == "length_m":
			lengths[size{r[text], diameter}] += v
		case r[part] == "take-off" && r[key] == "charge_kg":
			liquidKg += v
		}
	}
	var liquid, gas float64
	for s, m := range lengths {
		onPaper("length of "+s.line+" "+s.diameter, "%.1f m (%.0f ft)", m, m/0.3048)
		if s.line == "liquid" {
			liquid += m
		} else {
			gas += m
		}
	}
	for what, x := range map[string][2]float64{
		"liquid lines":                    {sums["liquid_length_m"], liquid},
		"gas lines":                       {sums["gas_length_m"], gas},
		"to add":                          {sums["additional_kg"], liquidKg + sums["allowances_kg"]},
		"take-off and charge":             {charge["calculated_kg"], sums["additional_kg"]},
		"factory and additional in total": {charge["total_kg"], charge["factory_kg"] + charge["additional_kg"]},
	} {
		if math.Abs(x[0]-x[1]) > 1e-3 || x[0] == 0 {
			t.Errorf("%s: %v in the CSV, %v from its rows", what, x[0], x[1])
		}
	}
	for _, k := range []string{"factory_kg", "additional_kg", "total_kg", "target_kg", "calculated_kg"} {
		pounds := charge[k] / 0.45359237
		ounces := math.Round(pounds * 16)
		onPaper("charge, "+k, "%.2f kg (%d lb %d oz)", charge[k], int(ounces)/16, int(ounces)%16)
	}
}
