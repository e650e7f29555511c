package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

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
				onPaper("the split of "+f.Unit, "%.1f K (%.1f °F)", v.Number, v.Number*1.8)
			case f.Step == "vacuum-hold" && (v.Key == "end_pa" || v.Key == "peak_pa" || v.Key == "start_pa" || v.Key == "limit_pa"):
				// A micron of mercury is 101325/760000 Pa.
				onPaper("the hold's "+v.Key, "%.1f Pa (%.0f micron)", v.Number, v.Number/101325*760000)
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

	rederive(t, dir, rows, onPaper)

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
		onPaper("length of "+s.line+" "+s.diameter, "%g m (%g ft)", math.Round(m*100)/100, math.Round(m/0.3048*10)/10)
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

// overLog is an awk program that reads windows (key, point, from, to), then a
// field log, and writes of each window how many readings it has, their mean,
// the lowest and the highest. It knows nothing of the program.
const overLog = `BEGIN { FS = "," }
FNR == NR { k[++n] = $1; point[n] = $2; from[n] = $3; to[n] = $4; next }
$2 == "reading" && $4 != "" {
	for (i = 1; i <= n; i++) if (point[i] == $3 && $1 >= from[i] && $1 <= to[i]) {
		if (!c[i] || $4 + 0 < low[i]) low[i] = $4 + 0
		if (!c[i] || $4 + 0 > high[i]) high[i] = $4 + 0
		c[i]++; s[i] += $4
	}
}
END { for (i = 1; i <= n; i++) print k[i] "," c[i] + 0 "," (c[i] ? s[i] / c[i] : 0) "," low[i] + 0 "," high[i] + 0 }
`

// rederive reckons with awk, from the exported field log alone, each unit's
// split before its result and the extremes of each curve, and holds the CSV's
// figures and the paper's against them.
func rederive(t *testing.T, dir string, rows [][]string, onPaper func(what, format string, args ...any)) {
	t.Helper()
	const part, step, begun, unit, key, value, text = 0, 3, 4, 5, 6, 7, 9
	log, err := exec.Command("standwatch", "export", "--data", filepath.Join(dir, "data")).Output()
	if err != nil {
		t.Fatal(err)
	}
	logFile, windowFile := filepath.Join(dir, "log.csv"), filepath.Join(dir, "windows.csv")
	const clock = "2006-01-02T15:04:05.000Z"
	figure := map[string]float64{} // by step, unit and key
	ended := map[string]string{}
	for _, r := range rows {
		v, _ := strconv.ParseFloat(r[value], 64)
		switch {
		case r[part] == "verdict" && r[value] != "":
			figure[r[step]+" "+r[unit]+" "+r[key]] = v
		case r[part] == "step" && r[key] == "ended":
			ended[r[step]+r[begun]] = r[text]
		}
	}
	var windows strings.Builder
	curves := map[string]float64{} // what the CSV says of extremes, in the order of the windows' keys
	for _, r := range rows {
		at, err := time.Parse(clock, r[begun])
		if err != nil {
			continue
		}
		v, _ := strconv.ParseFloat(r[value], 64)
		switch {
		case r[part] == "verdict" && r[key] == "split_k":
			// The judge's moment, and the five minutes before it.
			to := at.Add(time.Duration(figure[r[step]+" "+r[unit]+" elapsed_s"] * float64(time.Second)))
			for _, air := range []string{"return", "supply"} {
				fmt.Fprintf(&windows, "split %s %s %s,%s-%s,%s,%s\n", r[step], r[unit], air, r[unit], air, to.Add(-5*time.Minute).Format(clock), to.Format(clock))
			}
		case r[part] == "unit-curve" || r[part] == "curve":
			point, end := r[unit], r[key]
			if r[part] == "unit-curve" {
				air, which, _ := strings.Cut(r[key], " ")
				point, end = r[unit]+"-"+air, which
			}
			name := end + " " + r[step] + " " + point + " " + r[begun]
			curves[name] = v
			fmt.Fprintf(&windows, "%s,%s,%s,%s\n", name, point, r[begun], ended[r[step]+r[begun]])
		}
	}
	for file, body := range map[string][]byte{logFile: log, windowFile: []byte(windows.String())} {
		if err := os.WriteFile(file, body, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command("awk", overLog, windowFile, logFile).CombinedOutput()
	if err != nil {
		t.Fatalf("awk: %v\n%s", err, out)
	}
	mean, compared := map[string]float64{}, 0
	for line := range strings.Lines(string(out)) {
		f := strings.Split(strings.TrimSpace(line), ",")
		var x [4]float64 // how many, mean, lowest, highest
		for i := range x {
			if x[i], err = strconv.ParseFloat(f[i+1], 64); err != nil {
				t.Fatalf("%q: %v", line, err)
			}
		}
		if x[0] == 0 {
			t.Errorf("%s: the log has no reading", f[0])
		}
		if of, ok := strings.CutPrefix(f[0], "split "); ok {
			mean[of] = x[1]
			continue
		}
		want, got := x[2], curves[f[0]]
		if strings.HasPrefix(f[0], "highest") {
			want = x[3]
		}
		compared++
		if math.Abs(got-want) > 1e-5*math.Abs(want)+1e-9 { // six digits are kept
			t.Errorf("%s: %v in the CSV, %v in the log", f[0], got, want)
		}
		if strings.Contains(f[0], " vacuum-hold ") {
			word, _, _ := strings.Cut(f[0], " ")
			onPaper("the hold's curve", "%s %s", word, strconv.FormatFloat(want/101325*760000, 'f', 0, 64))
		}
	}
	splits := 0
	for name, k := range figure {
		of, ok := strings.CutSuffix(name, " split_k")
		if !ok {
			continue
		}
		splits++
		// A mean of five minutes against the judge's medians: the sensors' own error, as the steps' setting has it.
		if again := math.Abs(mean[of+" return"] - mean[of+" supply"]); math.Abs(again-k) > 0.3 {
			t.Errorf("%s: a split of %v K in the CSV, %.2f K from the log", of, k, again)
		}
	}
	if splits < 24 || compared < 2*2*24 {
		t.Errorf("%d splits and %d extremes were reckoned again: were that two checks of twelve units?", splits, compared)
	}
}
