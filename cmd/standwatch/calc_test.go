package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// calc runs `standwatch calc ... --json` and returns its one object.
func calc(t *testing.T, args ...string) map[string]any {
	t.Helper()
	var out, errOut bytes.Buffer
	if status := run(t.Context(), append(append([]string{"calc"}, args...), "--json"), &out, &errOut); status != exitDone {
		t.Fatalf("%v: status %d: %s", args, status, errOut.String())
	}
	var object map[string]any
	if err := json.Unmarshal(out.Bytes(), &object); err != nil || strings.Count(out.String(), "\n") != 1 {
		t.Fatalf("%v: %q: %v", args, out.String(), err)
	}
	return object
}

// agrees fails where a key is missing, is no number, or is off by more than within.
func agrees(t *testing.T, object map[string]any, key string, want, within float64) {
	t.Helper()
	got, ok := object[key].(float64)
	if !ok || !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %g within %g", key, object[key], want, within)
	}
}

// reference reads a table whose comment lines name its source: of a long one
// every seventh row, for rules/physics compares them all.
func reference(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	step := 1
	if len(all) > 100 {
		step = 7
	}
	for n := 1; n < len(all); n += step {
		cells, row := all[n], map[string]string{}
		for i, key := range all[0] {
			row[key] = cells[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func name(fluid string) string { return "R-" + strings.TrimPrefix(fluid, "R") }

// Source: refrigerant_saturation.csv and refrigerant_pressure_to_temperature.csv
// (their own lines). Temperatures below nought are values, not flags.
func TestCalcSaturation(t *testing.T) {
	for _, r := range reference(t, "refrigerant_saturation.csv") {
		got := calc(t, "saturation", "--refrigerant", name(r["fluid"]), "--temp", r["t_c"]+" C")
		for key, column := range map[string]string{"bubble_pressure_pa": "p_bubble_kpa", "dew_pressure_pa": "p_dew_kpa"} {
			agrees(t, got, key, number(t, r[column])*1e3, 0.05)
		}
		agrees(t, got, "liquid_density_kg_m3", number(t, r["rho_liq_kg_m3"]), 1e-3)
		agrees(t, got, "vapour_density_kg_m3", number(t, r["rho_vap_kg_m3"]), 1e-5)
	}
	for _, r := range reference(t, "refrigerant_pressure_to_temperature.csv") {
		if number(t, r["t_bubble_c"]) < -40 { // TestCommandLine has what is outside
			continue
		}
		got := calc(t, "saturation", "--refrigerant", name(r["fluid"]), "--pressure", r["p_gauge_psi"]+"psi")
		agrees(t, got, "bubble_temp_c", number(t, r["t_bubble_c"]), 0.002)
		agrees(t, got, "dew_temp_c", number(t, r["t_dew_c"]), 0.002)
		agrees(t, got, "dew_pressure_pa", number(t, r["p_abs_kpa"])*1e3, 1)
	}
}

// Source: superheat_subcooling.csv (its own lines), at two barometers.
func TestCalcSuperheatAndSubcooling(t *testing.T) {
	for _, r := range reference(t, "superheat_subcooling.csv") {
		common := []string{"--refrigerant", name(r["fluid"]), "--atmosphere", r["p_atm_kpa"] + " kPa"}
		got := calc(t, append([]string{"superheat", "--pressure", r["p_suc_gauge_kpa"] + " kPa", "--temp", r["t_suc_c"] + " C"}, common...)...)
		agrees(t, got, "superheat_k", number(t, r["superheat_k"]), 0.002)
		agrees(t, got, "dew_temp_c", number(t, r["t_suc_c"])-number(t, r["superheat_k"]), 0.002)
		got = calc(t, append([]string{"subcooling", "--pressure", r["p_liq_gauge_kpa"] + " kPa", "--temp", r["t_liq_c"] + " C"}, common...)...)
		agrees(t, got, "subcooling_k", number(t, r["subcooling_k"]), 0.002)
		agrees(t, got, "bubble_temp_c", number(t, r["t_liq_c"])+number(t, r["subcooling_k"]), 0.002)
	}
}

func takeoffFile(t *testing.T, rows string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "takeoff.csv")
	if err := os.WriteFile(file, []byte("run,line,outside_diameter,length,wall,factor\n"+rows), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// Source: the field guide, worked examples 1 and 2.
func TestCalcChargeExamples(t *testing.T) {
	file := takeoffFile(t, `a,liquid,3/8 in,62 m,,0.048 kg/m
b,liquid,1/2 in,38.5 m,,0.094 kg/m
c,liquid,5/8 in,24 m,,0.152 kg/m
d,liquid,3/4 in,15.5 m,,0.228 kg/m
a,suction,5/8 in,62 m,,
b,suction,3/4 in,38.5 m,,
c,suction,22.2 mm,24 m,,
d,suction,1-1/8 in,15.5 m,,
`)
	got := calc(t, "charge", "--takeoff", file, "--refrigerant", "R-410A", "--factory", "19.6 kg", "--extra", "1.2 kg", "--extra-volume", "18 l")
	agrees(t, got, "additional_kg", 14.977, 0.002)
	agrees(t, got, "total_kg", 34.577, 0.002)
	agrees(t, got, "liquid_volume_m3", 14.12e-3, 0.01e-3)
	agrees(t, got, "total_volume_m3", 66.570e-3, 0.01e-3)
	if got["estimate"] != false || got["warnings"] != nil {
		t.Errorf("estimate %v, warnings %v", got["estimate"], got["warnings"])
	}
	if rows := got["runs"].([]any); len(rows) != 8 || rows[6].(map[string]any)["run"] != "c" {
		t.Errorf("runs %v", rows)
	}
}

// What nobody gave is not 0 kg: without the factory charge there is no total.
func TestCalcChargeWithoutTheFactorys(t *testing.T) {
	file := takeoffFile(t, "a,liquid,3/8 in,62 m,,0.048 kg/m\n")
	got := calc(t, "charge", "--takeoff", file, "--refrigerant", "R-410A")
	agrees(t, got, "additional_kg", 62*0.048, 1e-9)
	for _, key := range []string{"factory_kg", "total_kg"} {
		if v, has := got[key]; !has || v != nil {
			t.Errorf("%s is %v, want null", key, v)
		}
	}
	got = calc(t, "charge", "--takeoff", file, "--refrigerant", "R-410A", "--factory", "5 kg")
	agrees(t, got, "total_kg", 5+62*0.048, 1e-9)
}

// Source: copper_tube_line_mass.csv (its own lines). No factor: by bore and
// liquid density, marked as an estimate.
func TestCalcChargeByTheBore(t *testing.T) {
	for _, r := range reference(t, "copper_tube_line_mass.csv") {
		file := takeoffFile(t, fmt.Sprintf("x,liquid,%s in,%s m,%s in,\n", r["size"], r["length_m"], r["wall_in"]))
		got := calc(t, "charge", "--takeoff", file, "--refrigerant", name(r["fluid"]), "--liquid-temp", r["t_c"]+"C")
		agrees(t, got, "additional_kg", number(t, r["mass_kg"]), 1e-5)
		agrees(t, got, "liquid_volume_m3", number(t, r["volume_l"])*1e-3, 1e-9)
		if got["estimate"] != true || got["runs"].([]any)[0].(map[string]any)["estimate"] != true {
			t.Errorf("not marked as an estimate: %v", got)
		}
	}
}

// Source: nitrogen_hold.csv (its own lines: Span's equation of 2000), and the
// field guide, worked example 4.
func TestCalcPressure(t *testing.T) {
	for _, r := range reference(t, "nitrogen_hold.csv") {
		got := calc(t, "pressure", "--start", r["p1_gauge_psi"]+" psi", "--start-temp", r["t1_c"]+" C", "--end-temp", r["t2_c"]+"C")
		start, want := number(t, r["p1_abs_kpa"])*1e3-101325, number(t, r["p2_real_abs_kpa"])*1e3-101325
		agrees(t, got, "expected_pa", want, 1e-4*(want+101325))
		agrees(t, got, "change_pa", want-start, 1.2e-3*math.Abs(want-start)+0.2)
		agrees(t, got, "ideal_pa", number(t, r["p2_ideal_gauge_psi"])*paPerPsi, 1)
	}
	got := calc(t, "pressure", "--start", "3792 kPa", "--start-temp", "24 C", "--end-temp", "22.5 C",
		"--atmosphere", "101.3 kPa", "--end-atmosphere", "99.8 kPa", "--read", "3765 kPa")
	agrees(t, got, "expected_pa", 3772.05e3, 100)
	agrees(t, got, "compensated_change_pa", -7.05e3, 100)
}

// Source: water_microns_to_temperature.csv (its own lines: IAPWS).
func TestCalcBoiling(t *testing.T) {
	for _, r := range reference(t, "water_microns_to_temperature.csv") {
		phase := map[string]string{"ice": "ice", "liquid": "water"}[r["phase"]]
		got := calc(t, "boiling", "--pressure", r["p_pa"]+" Pa")
		agrees(t, got, "temp_c", number(t, r["t_sat_c"]), 1e-3)
		back := calc(t, "boiling", "--temp", r["t_sat_c"]+" C")
		agrees(t, back, "pressure_pa", number(t, r["p_pa"]), 2e-4*number(t, r["p_pa"]))
		if got["phase"] != phase || back["phase"] != phase {
			t.Errorf("%s micron: %v and back %v, want %s", r["microns"], got["phase"], back["phase"], phase)
		}
	}
}

// Source: psychrometrics.csv and psychrometrics_from_wetbulb.csv (their own
// lines: ASHRAE Handbook Fundamentals 2017, chapter 1).
func TestCalcAir(t *testing.T) {
	for _, r := range reference(t, "psychrometrics.csv") {
		got := calc(t, "air", "--dry-bulb", r["t_db_c"]+" C", "--humidity", fmt.Sprintf("%.6g %%", number(t, r["rh"])*100), "--atmosphere", r["p_pa"]+" Pa")
		agrees(t, got, "humidity_ratio", number(t, r["w_kg_per_kg"]), 2e-3*number(t, r["w_kg_per_kg"]))
		agrees(t, got, "enthalpy_j_per_kg", number(t, r["h_j_per_kg"]), 100+1e-3*math.Abs(number(t, r["h_j_per_kg"])))
		agrees(t, got, "dew_point_c", number(t, r["t_dp_c"]), 0.05)
		if wet := number(t, r["t_wb_c"]); math.Abs(wet) > 0.7 { // about freezing the wick may be ice or water, and the two do not meet
			agrees(t, got, "wet_bulb_c", wet, 0.06)
		}
	}
	for _, r := range reference(t, "psychrometrics_from_wetbulb.csv") {
		got := calc(t, "air", "--dry-bulb", r["t_db_c"]+" C", "--wet-bulb", r["t_wb_c"]+" C", "--atmosphere", r["p_pa"]+" Pa")
		agrees(t, got, "humidity_ratio", number(t, r["w_kg_per_kg"]), 3e-3*number(t, r["w_kg_per_kg"]))
		agrees(t, got, "relative_humidity", number(t, r["rh"]), 0.002)
		agrees(t, got, "dew_point_c", number(t, r["t_dp_c"]), 0.06)
		agrees(t, got, "wet_bulb_c", number(t, r["t_wb_c"]), 1e-9)
	}
}

// Source: leak_rate.csv and pumpdown.csv (their own lines, published rows
// among them), and the field guide, worked examples 6, 7 and 9.
func TestCalcLeakAndPulldown(t *testing.T) {
	for _, r := range reference(t, "leak_rate.csv") {
		rise := fmt.Sprintf("%g Pa/%s s", number(t, r["p2_pa"])-number(t, r["p1_pa"]), r["dt_s"])
		got := calc(t, "leak", "--volume", r["v_l"]+" l", "--rise", rise, "--temp", r["t_c"]+" C")
		agrees(t, got, "leak_pa_m3_per_s", number(t, r["q_pa_m3_s"]), 1e-7*number(t, r["q_pa_m3_s"]))
		agrees(t, got, "leak_mol_per_s", number(t, r["mol_s"]), 1e-7*number(t, r["mol_s"]))
		agrees(t, got, "air_kg_per_s", number(t, r["air_g_yr"])/1e3/365/86400, 1e-6*number(t, r["air_g_yr"]))
	}
	agrees(t, calc(t, "leak", "--volume", "66.57 l", "--rise", "-60 kPa/24h"), "leak_pa_m3_per_s", -0.046229, 1e-5)
	agrees(t, calc(t, "leak", "--volume", "120 l", "--rise", "6 micron/min"), "leak_pa_m3_per_s", 0.0015999, 3.2e-6)
	for _, r := range reference(t, "pumpdown.csv") {
		got := calc(t, "pulldown", "--volume", r["v_l"]+" l", "--pump", r["s_l_per_s"]+" l/s", "--from", r["p0_pa"]+" Pa", "--to", r["p1_pa"]+" Pa", "--ultimate", r["p_ult_pa"]+" Pa")
		share := 1e-5
		if r["provenance"] != "computed" {
			share = 0.01
		}
		agrees(t, got, "time_s", number(t, r["t_s"]), share*number(t, r["t_s"]))
	}
	got := calc(t, "pulldown", "--volume", "120 l", "--pump", "2 l/s", "--from", "100 torr", "--to", "10 torr", "--took", "52 s")
	agrees(t, got, "time_s", 138.155, 0.01)
	agrees(t, got, "apparent_volume_m3", 45.167e-3, 1e-5)
	agrees(t, got, "apparent_ratio", 0.3764, 1e-4)
}

func FuzzPressureRate(f *testing.F) {
	for _, s := range []string{"6 micron/min", "-60 kPa/24h", "0.02 Pa/s", "/", "1 Pa/0 s", "1 Pa/", "5 psi/1/2 h"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if v, err := parsePressureRate(text); err == nil && math.IsNaN(v) {
			t.Errorf("%q is not a number", text)
		}
	})
}
