package config

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

// drivers are as the daemon's are, and touch nothing.
func drivers() []sensors.Driver {
	return []sensors.Driver{{Name: "mqtt", Device: "broker"}, {Name: "onewire", Device: "bus"}}
}

func load(t testing.TB, text string) (*Site, []error) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, faults := Load(file, drivers())
	for i, f := range faults {
		faults[i] = errors.New(strings.TrimPrefix(f.Error(), file+":"))
	}
	return s, faults
}

// Who gives a board's file is told so once, not of each key that a site lacks.
func TestABoardsFileIsNoSites(t *testing.T) {
	for text, want := range map[string]string{"board: {name: Service desk}\nstore: {}\n": "this is a board's file", "board: {}\nsite: {name: A, timezone: UTC}\nsystem: {refrigerant: R-32}": `unknown key "board"`} {
		if _, faults := load(t, text); len(faults) != 1 || !strings.Contains(faults[0].Error(), want) {
			t.Errorf("%q: %v, want one fault: %s", text, faults, want)
		}
	}
}

func accepted(t testing.TB, text string) *Site {
	t.Helper()
	s, faults := load(t, text)
	for _, f := range faults {
		t.Error(f)
	}
	return s
}

// want holds faults against "LINE:COLUMN words", in order.
func want(t *testing.T, faults []error, expected ...string) {
	t.Helper()
	var got []string
	for _, f := range faults {
		got = append(got, f.Error())
	}
	for i := range max(len(got), len(expected)) {
		switch {
		case i >= len(got):
			t.Errorf("no fault %s", expected[i])
		case i >= len(expected):
			t.Errorf("not expected: %s", got[i])
		default:
			place, words, _ := strings.Cut(expected[i], " ")
			if !strings.HasPrefix(got[i], place+": ") || !strings.Contains(got[i], words) {
				t.Errorf("got  %s\nwant %s", got[i], expected[i])
			}
		}
	}
}

// What one outdoor unit comes with is not what the system does.
func TestAFactoryChargeOfSomeUnitsIsNotWhole(t *testing.T) {
	for text, want := range map[string]float64{
		"[{name: ou1, factory_charge: 9.3 kg}, {name: ou2, factory_charge: 9.8 kg}]": 19.1,
		"[{name: ou1, factory_charge: 9.3 kg}, {name: ou2, factory_charge: 0 kg}]":   9.3, // comes empty
		"[{name: ou1, factory_charge: 9.3 kg}, {name: ou2}]":                         0,
		"[{name: ou1}, {name: ou2}]":                                                 0,
	} {
		file := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(file, []byte("site: {name: Quayside Library}\nsystem:\n  refrigerant: R-410A\n  outdoor_units: "+text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		site, faults := Load(file, nil)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		if got := site.Systems[0].WholeFactoryKg(); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: %g kg, want %g", text, got, want)
		}
	}
}

func TestEveryFaultAtOnceWithItsPlace(t *testing.T) {
	b, err := os.ReadFile("testdata/faults.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var expected []string
	for i, line := range strings.Split(string(b), "\n") {
		_, marked, ok := strings.Cut(line, " # ! ")
		if !ok {
			continue
		}
		for _, m := range strings.Split(marked, " | ") {
			column, words, _ := strings.Cut(m, " ")
			expected = append(expected, fmt.Sprintf("%d:%s %s", i+1, column, words))
		}
	}
	_, faults := load(t, string(b))
	want(t, faults, expected...)
}

const contract = `site:   {name: Quayside Library, timezone: Europe/Lisbon}
system:                                   # or systems:, a list, each with a name
  refrigerant: R-410A
  heat_recovery: true
  takeoff: takeoff.csv                    # relative to this file
  outdoor_units: [{name: ou1, factory_charge: 9.3 kg}]
  branch_units:  [{name: bu1}]
  indoor_units:  [{name: iu01, room: Reading room, branch: bu1, port: 1, supply: iu01-supply, return: iu01-return}]
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 1s}
  - {name: scale, measures: mass, role: charging-scale, unit: kg, every: 2s, silent_after: 10s}
  - {name: ambient, measures: temperature, role: outdoor-air, unit: C, every: 10s}
  - {name: iu01-supply, measures: temperature, role: supply-air}
  - {name: iu01-return, measures: temperature, role: return-air, every: 1 min}
steps:
  vacuum-hold:   {limit: 500 micron, lasts: 1h}
  weigh-in:      {target: 14.2 kg, lead: 2min}
  pressure-test: {target: 550 psi, lasts: 24h}
`

// What units hold is summed, and a room has a volume and the system a limit for it. 1589 ft3 is 45 m3, 27.5
// lb in 1000 ft3 are 0.44 kg/m3 (a foot is 0.3048 m and a pound 0.45359237 kg, by definition).
func TestVolumesOfUnitsAndRooms(t *testing.T) {
	s := accepted(t, `site: {name: Quayside Library}
system:
  refrigerant: R-410A
  room_limit: 27.5 lb/1000ft3
  extra_charge: 2 lb 10 oz
  gwp: {value: 2088, source: IPCC AR4}
  branch_units: [{name: bu1, volume: 1.5 l}, {name: bu2}]
  indoor_units: [{name: iu01, volume: 1.8 l, room_volume: 1589 ft3}, {name: iu02, volume: 0.0018 m3, room_volume: 60 m3}]
`)
	sys := s.Systems[0]
	if math.Abs(sys.CoilsM3-5.1e-3) > 1e-12 {
		t.Errorf("the units hold %g m3, want 5.1 l", sys.CoilsM3)
	}
	if a, b := sys.Units[0].RoomM3, sys.Units[1].RoomM3; math.Abs(a-45) > 0.01 || b != 60 {
		t.Errorf("rooms of %g and %g m3, want 45 and 60", a, b)
	}
	if math.Abs(sys.RoomLimitKgM3-0.4405) > 1e-4 {
		t.Errorf("limit %g kg/m3, want 0.4405", sys.RoomLimitKgM3)
	}
	if sys.GWP != 2088 || sys.GWPSource != "IPCC AR4" {
		t.Errorf("GWP %g by %q", sys.GWP, sys.GWPSource)
	}
	if e := sys.ExtraKg; math.Abs(e-1.19068) > 1e-5 {
		t.Errorf("2 lb 10 oz is %g kg", e)
	}
}

// A clamp stands for a volume of pipework; 0.7 ft3 are 19.8 l (a foot is 0.3048 m, by definition).
func TestVolumeOfAClamp(t *testing.T) {
	const points = `site: {name: Quayside Library}
system: {refrigerant: R-410A}
points:
  - {name: roof, measures: temperature, role: pipe-air, unit: C, volume: 0.7 ft3}
  - {name: hall, measures: temperature, role: pipe-air, unit: C}
`
	s := accepted(t, points)
	if v := s.Points[0].VolumeM3; math.Abs(v-0.0198218) > 1e-6 || s.Points[1].VolumeM3 != 0 {
		t.Errorf("the clamps stand for %g and %g m3, want 0.0198 and none", v, s.Points[1].VolumeM3)
	}
	for bad, want := range map[string]string{
		"role: outdoor-air, unit: C, volume: 20 l": "only a point of role pipe-air",
		"role: pipe-air, unit: C, volume: -20 l":   "is not the volume of pipework",
		"role: pipe-air, unit: C, volume: 20 kg":   "volume",
	} {
		text := strings.Replace(points, "role: pipe-air, unit: C, volume: 0.7 ft3", bad, 1)
		if _, faults := load(t, text); len(faults) != 1 || !strings.Contains(faults[0].Error(), want) {
			t.Errorf("%s: %v, want %q", bad, faults, want)
		}
	}
}

func TestTheContractsSiteFile(t *testing.T) {
	s := accepted(t, contract)
	if s.Name != "Quayside Library" || s.Zone.String() != "Europe/Lisbon" {
		t.Errorf("site %q %v", s.Name, s.Zone)
	}
	dir := filepath.Dir(s.File)
	if e := s.Equipment[0]; !s.Systems[0].HeatRecovery || e.Takeoff != filepath.Join(dir, "takeoff.csv") ||
		!reflect.DeepEqual(e.OutdoorUnits, []OutdoorUnit{{"ou1", 9.3}}) || !reflect.DeepEqual(s.Systems[0].Branches, []string{"bu1"}) {
		t.Errorf("equipment %+v", e)
	}
	sys := s.Systems[0]
	if u := sys.Units[0]; sys.Name != "" || sys.Refrigerant != "R-410A" || u.Room != "Reading room" || u.Branch != "bu1" || u.Port != 1 || u.Supply != "iu01-supply" || u.Return != "iu01-return" {
		t.Errorf("system %+v", sys)
	}
	type pace struct{ every, silent time.Duration }
	var paces []pace
	for _, p := range s.Points {
		paces = append(paces, pace{p.Every, p.SilentAfter})
	}
	// Five times every, at least 10 s (the contract).
	if w := []pace{{time.Second, 10 * time.Second}, {2 * time.Second, 10 * time.Second}, {10 * time.Second, 50 * time.Second}, {10 * time.Second, 50 * time.Second}, {time.Minute, 5 * time.Minute}}; !slices.Equal(paces, w) {
		t.Errorf("paces %v, want %v", paces, w)
	}
	hold := sys.Steps["vacuum-hold"]
	// 500 micron = 66.66 Pa (101325/760/1000 Pa a micron, conventional).
	if l := hold["limit"]; l.Value < 66.66 || l.Value > 66.662 || l.Text != "500 micron" || !l.Given || l.Source != "site file" || hold["lasts"].Value != 3600 {
		t.Errorf("vacuum-hold %+v", hold)
	}
	if target := sys.Steps["weigh-in"]["target"]; target.Value != 14.2 {
		t.Errorf("weigh-in target %+v", target)
	}
	if s.Box != (Box{Name: "box", Data: filepath.Join(dir, "data"), Commit: 250 * time.Millisecond, Clock: "checked"}) {
		t.Errorf("box %+v", s.Box)
	}
	if len(s.Devices) > 0 {
		t.Errorf("devices %+v", s.Devices)
	}
}

func TestSeveralSystems(t *testing.T) {
	s := accepted(t, `
site: {name: Quayside Library}
systems:
  - {name: north, refrigerant: R-32, steps: {weigh-in: {target: 9 kg}}, indoor_units: [{name: n1, supply: n1-supply}]}
  - {name: south, refrigerant: R-454B}
points:
  - {name: n1-supply, measures: temperature, role: supply-air}
  - {name: gauge-n, measures: vacuum, role: vacuum-gauge, system: north}
  - {name: scale-n, measures: mass, role: charging-scale, system: north}
  - {name: scale-s, measures: mass, role: charging-scale, system: south}
  - {name: roof, measures: temperature, role: outdoor-air}
steps:
  weigh-in: {target: 14.2 kg, lead: 1min}
`)
	var systems []string
	for _, p := range s.Points {
		systems = append(systems, p.System)
	}
	if !slices.Equal(systems, []string{"north", "north", "north", "south", ""}) {
		t.Errorf("systems of the points: %q", systems)
	}
	north, south := s.Systems[0].Steps["weigh-in"], s.Systems[1].Steps["weigh-in"]
	if north["target"].Value != 9 || south["target"].Value != 14.2 || north["lead"].Value != 60 {
		t.Errorf("weigh-in north %+v, south %+v", north, south)
	}

	_, faults := load(t, `
site: {name: Quayside Library}
systems:
  - {name: north, refrigerant: R-32, indoor_units: [{name: n1, supply: s1}]}
  - {name: south, refrigerant: R-32}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge}
  - {name: scale, measures: mass, system: sout}
  - {name: s1, measures: temperature, system: south}
`)
	want(t, faults, `4:72 the point "s1" is of system "south"`, `7:5 the role vacuum-gauge, but of which system?`, `8:43 there is no system "sout"; did you mean south?`)

	two := `
site: {name: Quayside Library}
systems: [{name: north, refrigerant: R-32}, {name: south, refrigerant: R-32}]
points:
  - {name: trolley, measures: mass, role: charging-scale}
`
	if s := accepted(t, two); s.Points[0].System != "" { // it is carried from one to the other
		t.Errorf("the trolley's scale is of %q", s.Points[0].System)
	}
	own := "  - {name: own, measures: mass, role: charging-scale, system: south}\n"
	_, faults = load(t, two+own)
	want(t, faults, "6:39 a second charging-scale in one system; line 5 has one already")
	_, faults = load(t, strings.Replace(two, "points:\n", "points:\n"+own, 1))
	want(t, faults, "6:43 a second charging-scale in one system; line 5 has one already")

	_, faults = load(t, "site: {name: a}\nsystem: {refrigerant: R-32}\nsystems: [{name: b, refrigerant: R-32}]\n")
	want(t, faults, "3:10 both system and systems")
}

func TestPointsOfADeviceComeTogether(t *testing.T) {
	s := accepted(t, `
site: {name: Quayside Library}
points:
  - {name: a, measures: mass, mqtt: {topic: a}}
  - {name: b, measures: temperature, onewire: {bus: w1, id: 28-1}}
  - {name: c, measures: mass, mqtt: {topic: c, broker: site}}
  - {name: d, measures: temperature, onewire: {bus: w2, id: 28-2}}
  - {name: e, measures: temperature, onewire: {bus: w1, id: 28-3}}
  - {name: f, measures: mass}
box: {name: quay-2, data: /srv/journal, commit: 1s, clock: trusted, stick: /media/standwatch}
brokers: [{name: site, url: tcp://127.0.0.1:1883}]
`)
	var got []string
	for _, d := range s.Devices {
		line := d.Driver.Name + " " + d.Config.Name + " " + d.Config.Box
		for _, p := range d.Config.Points {
			line += " " + p.Name
		}
		got = append(got, line)
	}
	if w := []string{"mqtt site quay-2 a c", "onewire w1 quay-2 b e", "onewire w2 quay-2 d"}; !slices.Equal(got, w) {
		t.Errorf("devices %q, want %q", got, w)
	}
	if n := child(s.Devices[0].Config.Device, "url"); n.Text != "tcp://127.0.0.1:1883" || n.Line != 11 {
		t.Errorf("the broker's own entry is missing: %+v", s.Devices[0].Config.Device)
	}
	if s.Box != (Box{"quay-2", "/srv/journal", time.Second, "trusted", "/media/standwatch"}) {
		t.Errorf("box %+v", s.Box)
	}

	for _, stick := range []string{"media", "/", "/.."} {
		_, faults := load(t, "site: {name: a}\nbox: {stick: "+stick+"}\n")
		want(t, faults, fmt.Sprintf("2:14 stick: %q is not where a stick can be mounted", stick))
	}

	_, faults := load(t, "site: {name: a}\npoints: [{name: a, measures: mass, mqtt: {topic: a}}]\n")
	want(t, faults, "2:42 no broker is given for this point")
	_, faults = load(t, "site: {name: a}\npoints: [{name: a, measures: mass, mqtt: {topic: a}}]\nbrokers: {x: {}, y: {}}\n")
	want(t, faults, "2:42 several brokers are given, and this point names none")
}

func TestNothingOfYAMLThatHides(t *testing.T) {
	const site = "site: {name: a}\n"
	for _, c := range []struct {
		text     string
		expected []string
	}{
		{site + "points:\n  - &p {name: x, measures: mass}\n  - *p\n", []string{"3:5 anchors", "4:5 aliases", "4:5 this should be a mapping"}},
		{site + "points:\n  - {name: x, <<: {measures: mass}}\n", []string{"3:5 measures is missing", "3:15 merge keys"}},
		{site + "box: {name: !!str b}\n", []string{"2:13 tags"}},
		{site + "--- \nbox: {}\n", []string{"2:1 a second document"}},
		{"%YAML 1.2\n---\n" + site, []string{"1:1 directives"}},
		{"---\n" + site, nil},
		{"\ufeff" + site, nil},
		{"site:\r\n  name: a\r\nbox: {clok: x}\r\n", []string{"3:7 did you mean clock?"}},
		{site + "box: {name: a}\nbox: {name: b}\n", []string{`3:1 "box" stands here a second time; it was given in line 2`}},
		{site + "points: {name: x}\n", []string{"2:9 points should be a list"}},
		{site + "box: \xff\n", []string{"2:6 the byte 0xFF is not UTF-8"}},
		{site + "box: é\x00\n", []string{"2:7 U+0000"}},
		{site + "web: " + strings.Repeat("[", 100) + strings.Repeat("]", 100) + "\n", []string{"2:37 nested more than 32 deep"}},
		{site + "web:\n" + strings.Repeat("- ", 100) + "x\n", []string{"3:63 nested more than 32 deep"}},
		{"web: [" + strings.Repeat("a,", 100_000) + "]\n", []string{"1:100004 too long to be a site file"}},
		{"# nothing\n", []string{"1:1 site is missing"}},
		{"", []string{"1:1 site is missing"}},
		{"just words\n", []string{"1:1 this should be a mapping"}},
		{"- a\n- b\n", []string{"1:1 this should be a mapping"}},
		{strings.Repeat("#", largest+1), []string{"1:1 the file has 1048577 bytes"}},
	} {
		_, faults := load(t, c.text)
		want(t, faults, c.expected...)
		if t.Failed() {
			t.Fatalf("%.200q", c.text)
		}
	}
}

// The text of a scalar is what was written; what a general YAML reader makes
// numbers, dates and truth values of stays as it is.
func TestScalarsStayAsWritten(t *testing.T) {
	text := "web: [1e3, yes, 0x10, 1:30, 010, 1_000, ~, null, True, 2026-03-14, .inf, +5, 'it''s', \"a\\tb\", 5 ]\n"
	root, _, faults := parseYAML("site.yaml", text)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	var got []string
	for _, n := range child(root, "web").Items {
		if n.Kind != sensors.Scalar {
			t.Errorf("%+v is no scalar", n)
		}
		got = append(got, n.Text)
	}
	if w := []string{"1e3", "yes", "0x10", "1:30", "010", "1_000", "~", "null", "True", "2026-03-14", ".inf", "+5", "it's", "a\tb", "5"}; !slices.Equal(got, w) {
		t.Errorf("%q, want %q", got, w)
	}
}

func TestASyntaxFaultStillLetsTheRestBeChecked(t *testing.T) {
	_, faults := load(t, `site: {name: Quayside Library, timezone: Mars}
points:
  - {name: gauge, measures: vacuum
  - {name: scale, measures: mass}
steps:
  vacuum-hold: {limit: 500 psig}
box: {name: Quay}
`)
	var places []string
	for _, f := range faults {
		place, _, _ := strings.Cut(f.Error(), ": ")
		places = append(places, place)
	}
	for _, w := range []string{"1:42", "6:24", "7:13"} {
		if !slices.Contains(places, w) {
			t.Errorf("nothing is said of %s: %v", w, faults)
		}
	}
	if !slices.ContainsFunc(places, func(p string) bool { return strings.HasPrefix(p, "3:") || strings.HasPrefix(p, "4:") }) {
		t.Errorf("the bracket that is open is not found: %v", faults)
	}
	if !sort.SliceIsSorted(faults, func(i, j int) bool { return line(faults[i]) < line(faults[j]) }) {
		t.Errorf("not in order: %v", faults)
	}
}

var lineOf = regexp.MustCompile(`^(\d+):`)

func line(err error) int {
	var n int
	if _, e := fmt.Sscan(lineOf.FindStringSubmatch(err.Error())[1], &n); e != nil {
		panic(e)
	}
	return n
}

func TestAFileThatIsNotThere(t *testing.T) {
	dir := t.TempDir()
	for file, words := range map[string]string{filepath.Join(dir, "none.yaml"): "no such file", dir: "this is a folder"} {
		s, faults := Load(file, nil)
		if s != nil || len(faults) != 1 || !strings.HasPrefix(faults[0].Error(), file+":1:1: ") || !strings.Contains(faults[0].Error(), words) {
			t.Errorf("%v %v", s, faults)
		}
	}
}

func TestFaultsAreTakenApartAndSorted(t *testing.T) {
	a := sensors.Fault{File: "a", Line: 2, Column: 1, Problem: "second"}
	b := sensors.Fault{File: "a", Line: 1, Column: 9, Problem: "first"}
	plain := errors.New("no place")
	got := Faults(errors.Join(plain, errors.Join(a, b), fmt.Errorf("wrapped: %w", b), a))
	if len(got) != 4 || got[0] != error(b) || got[1].Error() != "wrapped: "+b.Error() || got[2] != error(a) || got[3] != plain {
		t.Errorf("%v", got)
	}
	if got := Faults(nil); got != nil {
		t.Errorf("%v of nothing", got)
	}
}

// Whatever stands in the file, there is an answer; faults have a place within it.
func FuzzLoad(f *testing.F) {
	f.Add(contract)
	if b, err := os.ReadFile("testdata/faults.yaml"); err == nil {
		f.Add(string(b))
	}
	f.Add("a: &x [*x, !!int 5, {<<: *x}]\n? k\n: v\n---\n...\n%T")
	f.Add("site: {name: \"a\n b\", timezone: |\n  x\n")
	f.Fuzz(func(t *testing.T, text string) {
		_, faults := parse("site.yaml", text, drivers(), nil)
		lines := 1 + strings.Count(text, "\n") + strings.Count(text, "\r")
		for _, err := range faults {
			var f sensors.Fault
			if !errors.As(err, &f) || f.Line < 1 || f.Line > lines+1 || f.Column < 1 || f.File != "site.yaml" {
				t.Errorf("%v has no place in a file of %d lines", err, lines)
			}
		}
	})
}

// Another air's sensor under a unit would judge the wrong room, and quietly.
func TestAUnitsAirIsNotTheOutdoorAir(t *testing.T) {
	const site = `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A, indoor_units: [{name: iu01, supply: ambient, return: iu01-return}]}
points:
  - {name: ambient, measures: temperature, role: outdoor-air}
  - {name: iu01-return, measures: temperature, role: return-air}
`
	_, faults := load(t, site)
	if len(faults) != 1 || !strings.Contains(faults[0].Error(), `2:67: supply: the point "ambient" has the role outdoor-air; name one of role supply-air, or of none`) {
		t.Errorf("faults: %v", faults)
	}
}

func TestPaceDuringSteps(t *testing.T) {
	const file = `site: {name: Quayside Library}
system: {refrigerant: R-410A}
points:
  - {name: sump, measures: temperature, role: oil-sump, every: 10s, during: {preheat: 60s, trial-run: 2s}, silent_after: 2min}
`
	s := accepted(t, file)
	want := []sensors.Pace{{Step: "preheat", Every: time.Minute}, {Step: "trial-run", Every: 2 * time.Second}}
	if got := s.Points[0].During; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	for bad, want := range map[string]string{
		"during: {preheet: 60s}":        "did you mean preheat?",
		"during: {preheat: 60}":         `"60" has no unit`,
		"during: {preheat: 0s}":         "preheat must be more than nothing",
		"during: {preheat: 3min}":       "longer than silent_after",
		"during: preheat":               "should be a mapping",
		"during: {preheat: {each: 1s}}": "single value",
	} {
		text := strings.Replace(file, "during: {preheat: 60s, trial-run: 2s}", bad, 1)
		if _, faults := load(t, text); len(faults) != 1 || !strings.Contains(faults[0].Error(), want) || !strings.HasPrefix(faults[0].Error(), "4:") {
			t.Errorf("%s: %v, want %q", bad, faults, want)
		}
	}
}

// What an instrument's papers say stands with its point; a day is written 2027-03-01.
func TestPapersOfAnInstrument(t *testing.T) {
	const file = `site: {name: Quayside Library}
system: {refrigerant: R-410A}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, instrument: {serial: "0815", calibrated: 2026-03-01, valid_until: 2027-03-01, against: a laboratory}}
`
	s := accepted(t, file)
	if got, want := s.Points[0].Instrument, (sensors.Instrument{Serial: "0815", Calibrated: "2026-03-01", ValidUntil: "2027-03-01", Against: "a laboratory"}); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	for bad, want := range map[string]string{
		"instrument: 4711":                                              "should be a mapping",
		"instrument: {calibrated: March}":                               `"March" is not a day`,
		"instrument: {valid_until: 2027-02-30}":                         `"2027-02-30" is not a day`,
		"instrument: {valid_until: 2025-01-01, calibrated: 2026-01-01}": "lies before the calibration",
		"instrument: {offset: 3 K}":                                     "offset",
	} {
		text := regexp.MustCompile(`instrument: .*}}`).ReplaceAllString(file, bad+"}")
		if _, faults := load(t, text); len(faults) != 1 || !strings.Contains(faults[0].Error(), want) || !strings.HasPrefix(faults[0].Error(), "4:") {
			t.Errorf("%s: %v, want %q", bad, faults, want)
		}
	}
}
