package web

import (
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

func english(t *testing.T) words {
	t.Helper()
	w, err := readWords(wordFiles, "words/en.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// Every key that a template or the code names is in the catalogue, and the
// catalogue has nothing that nobody says.
func TestCatalogueIsWhole(t *testing.T) {
	w := english(t)
	said := map[string]bool{}
	var sources strings.Builder
	for _, pattern := range []string{"*.go", "pages/*.html"} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			text, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			sources.Write(text)
		}
	}
	text := sources.String()
	for _, m := range regexp.MustCompile(`say\(?\s*"([a-z][^"]*)"`).FindAllStringSubmatch(text, -1) {
		if strings.HasSuffix(m[1], ".") || strings.HasSuffix(m[1], "-") {
			continue // a key in two parts
		}
		said[m[1]] = true
		if _, ok := w[m[1]]; !ok {
			t.Errorf("the catalogue has no %q", m[1])
		}
	}
	for _, m := range regexp.MustCompile(`count\(?\s*"([a-z][^"]*)"`).FindAllStringSubmatch(text, -1) {
		for _, form := range []string{".one", ".other"} { // English has these two
			said[m[1]+form] = true
			if _, ok := w[m[1]+form]; !ok {
				t.Errorf("the catalogue has no %q", m[1]+form)
			}
		}
	}
	families := regexp.MustCompile(`^(open|title|nav|more|start|step|state|result|sure|reason|source|role|flag|urgency|edge|mark|markhelp|unit|command|outward|limit|caution|confirm|done|problem|refused|health|curve\.water|ended|cause|causehelp|value|line|kind|found|typed|door|access|device|check|checkstate|placing|against|instrument|job|paper|paperhelp|signs|copy|copyto|copyhow|trouble|together)\.|^copies\.gone\.|^import\.(kind|section|answer|decimal|length_unit|diameter_unit|line|column|choice|file)\.|^form\.note-`)
	for key := range w {
		if strings.HasPrefix(key, "board.as.") || strings.HasPrefix(key, "board.show.") { // in parts, in board.go
			continue
		}
		if !said[key] && !families.MatchString(key) && !strings.Contains(text, `"`+key+`"`) {
			t.Errorf("nobody says %q", key)
		}
	}
}

// What the contract names, the screens name in words.
func TestEveryNameOfTheContractHasWords(t *testing.T) {
	w := english(t)
	need := func(kind string, names ...string) {
		for _, n := range names {
			if _, ok := w[kind+"."+n]; !ok {
				t.Errorf("no words for %s %q", kind, n)
			}
		}
	}
	need("step", usualOrder...)
	need("step", rules.StepNames()...)
	need("caution", "take-off", "pressure-test", "evacuation", "vacuum-hold", "draw-in", "preheat", "unit-count", "weigh-in", "trial-run",
		"cooling-check", "heating-check", "branch-check", "mixed-run")
	need("role", sensors.Roles...)
	need("placing", sensors.Roles...)
	for _, c := range (rules.Site{Systems: []rules.System{{Refrigerant: "R-32"}}}).Checks("") {
		need("check", c.Name)
	}
	need("state", waiting, underWay, ended, reported, rules.Passed, rules.NotPassed, rules.NotProven)
	need("result", rules.Passed, rules.NotPassed, rules.NotProven)
	need("urgency", "note", "tell", "wake")
	need("edge", "raised", "cleared", "title-raised", "title-cleared", "title-verdict")
	for _, r := range rules.All() {
		need("flag", r.Flags...)
	}
	for _, l := range rules.Limits() {
		need("limit", l.Key)
	}
	for _, m := range markKinds {
		need("mark", m.Name)
		need("markhelp", m.Name)
		need("unit", m.Units...)
	}
	need("mark", "command")
	need("markhelp", "command")
	need("command", commands...)
	need("reason", sensors.ReasonBatteryLow, sensors.ReasonRetained, sensors.ReasonRedelivered, sensors.ReasonQueued, sensors.ReasonTime,
		sensors.ReasonOffline, sensors.ReasonGarbage, sensors.ReasonOversize, sensors.ReasonUnit, sensors.ReasonNotANumber,
		sensors.ReasonOffScale, sensors.ReasonCRC, sensors.ReasonPowerOn, sensors.ReasonDisconnected, sensors.ReasonFault,
		sensors.ReasonHung, sensors.ReasonIdentity, sensors.ReasonOpen, sensors.ReasonShort, sensors.ReasonBelowZero, sensors.ReasonOverload, sensors.ReasonMotion,
		sensors.ReasonBrownOut, sensors.ReasonStale, sensors.ReasonOverVoltage, sensors.ReasonGround, sensors.ReasonColdJunction, sensors.ReasonReversed)
	need("done", "begin", "end", "mark", "acknowledge")
	for page := range liveParts {
		need("title", page)
	}
	for _, q := range sensors.Quantities() {
		for _, m := range methods(q) {
			need("against", "title."+m, "do."+m, "how."+m)
		}
	}
	need("against.stage", "empty", "loaded", "again")
	need("instrument.said", "unclear", "corrected", "within", rules.AsFound, rules.Withdrawn, rules.Exchanged)
}

// No page shows a key in place of its words.
func TestNoPageShowsAKey(t *testing.T) {
	w := english(t)
	for _, scene := range []string{"hold", "weigh", "idle", "empty"} {
		h := newFakeBox(scene).screens().handler()
		for _, page := range []string{"/", "/points", "/steps", "/steps/weigh-in", "/flags", "/box", "/mark/accepted", "/nothing"} {
			_, text := visit(t, h, "GET", page, nil)
			if strings.Contains(text, "%!") {
				t.Errorf("%s %s has a sentence that was filled in wrongly:\n%s", scene, page, text)
			}
			for _, m := range regexp.MustCompile(`>([a-z]+\.[a-z][a-z.-]+)<`).FindAllStringSubmatch(text, -1) {
				if _, ok := w[m[1]]; ok || strings.Count(m[1], ".") > 0 {
					t.Errorf("%s %s shows the key %q", scene, page, m[1])
				}
			}
		}
	}
}

func TestTimesAreSaidAsPeopleSayThem(t *testing.T) {
	w := english(t)
	now := time.Date(2026, 3, 12, 3, 25, 0, 0, zone)
	for d, want := range map[time.Duration]string{
		0: "just now 03:25", 72 * time.Second: "1 min ago 03:23", 23 * time.Minute: "23 min ago 03:02",
		2*time.Hour + 10*time.Minute: "2 h 10 min ago 01:15", 2 * time.Hour: "2 h ago 01:25", 30 * time.Hour: "1 d 6 h ago 10 Mar 21:25",
		24 * time.Hour: "1 d ago 11 Mar 03:25", 400 * 24 * time.Hour: "400 d ago 5 Feb 2025 03:25", 59 * time.Second: "59 s ago 03:24", -time.Minute: "in 1 min 03:26",
	} {
		m := w.moment(now.Add(-d), now, zone)
		if got := m.Ago + " " + m.Clock; got != want {
			t.Errorf("%v: %q, want %q", d, got, want)
		}
	}
	if m := w.moment(time.Time{}, now, zone); !m.Never || m.Ago != "never" {
		t.Errorf("%+v", m)
	}
}

// Conversions against published equivalents: 500 micron is 66.7 Pa, 1 atm is
// 760,000 micron (1 micron = 0.133322 Pa); 1 psi = 6.894757 kPa; 31 lb 5 oz at
// 0.453592 kg a pound (NIST Special Publication 811, appendix B); water boils
// at 100 C, 212 F, under 29.92 inHg.
func TestBothUnitsAreRight(t *testing.T) {
	for _, c := range []struct {
		q           sensors.Quantity
		unit        string
		choice      choice
		si          float64
		main, other string
	}{
		{sensors.Vacuum, "micron", asMeasured, 66.661, "500 micron", "66.7 Pa"},
		{sensors.Vacuum, "micron", choiceSI, 66.661, "66.7 Pa", "500 micron"},
		{sensors.Vacuum, "Pa", choiceUS, 101325, "760,000 micron", "101,325 Pa"},
		{sensors.Vacuum, "Pa", asMeasured, 5.3, "5.3 Pa", "40 micron"},
		{sensors.Pressure, "psi", asMeasured, 3792116, "550.0 psi", "3792 kPa"},
		{sensors.AbsolutePressure, "hPa", asMeasured, 101325, "101.3 kPa", "29.92 inHg"},
		{sensors.Mass, "kg", asMeasured, 14.2035, "14.20 kg", "31 lb 5 oz"},
		{sensors.Mass, "lb", asMeasured, 14.2035, "31 lb 5 oz", "14.20 kg"},
		{sensors.Mass, "kg", choiceUS, 0.4535, "1 lb 0 oz", "0.45 kg"},
		{sensors.Mass, "kg", choiceUS, -0.4536, "-1 lb 0 oz", "-0.45 kg"},
		{sensors.Temperature, "C", asMeasured, 100, "100.0 °C", "212.0 °F"},
		{sensors.Temperature, "F", asMeasured, -40, "-40.0 °F", "-40.0 °C"},
		{sensors.Temperature, "C", asMeasured, -0.04, "0.0 °C", "31.9 °F"},
		{sensors.Humidity, "%", choiceUS, 0.5, "50 %", ""},
	} {
		main, other := c.choice.both(c.q, c.unit, c.si)
		if main != c.main || other != c.other {
			t.Errorf("%v %g as %q: %q and %q, want %q and %q", c.q, c.si, c.choice, main, other, c.main, c.other)
		}
	}
	for key, want := range map[string]string{
		"limit_pa": "Limit: 500 micron (66.7 Pa)", "target_kg": "Target: 66.66 kg (146 lb 15 oz)", "supply_c": "Supply: 66.7 °C (152.0 °F)",
		"split_k": "Split: 66.7 K (120.0 °F)", "rise_pa_per_s": "Rise: 30,000 micron/min (67 Pa/s)", "leak_pa_m3_per_s": "Leak: 67 Pa m³/s (658 std cm³/s)", "odd": "Odd: 66.7",
	} {
		if label, text := asMeasured.keyed("vacuum-hold", key, 66.661); label+": "+text != want {
			t.Errorf("%s: %q, want %q", key, label+": "+text, want)
		}
	}
}

func TestEveryTemplateIsNamed(t *testing.T) {
	pages := parsePages(english(t), nil)
	maps.Copy(pages, parseBoard(english(t), nil))
	err := fs.WalkDir(pageFiles, "pages", func(path string, d fs.DirEntry, err error) error {
		name := strings.TrimSuffix(d.Name(), ".html")
		if _, ok := pages[name]; !ok && !d.IsDir() && name != "layout" && name != "parts" {
			t.Errorf("%s is no page", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for page, parts := range map[string][]string{"boxes": {"bar", "boxcount", "boxways", "boxlist", "boxrow", "state"}, "onebox": boardParts} {
		for _, part := range parts {
			if pages[page].Lookup(part) == nil {
				t.Errorf("page %s has no part %s", page, part)
			}
		}
	}
	for page, parts := range liveParts {
		for _, part := range parts {
			if pages[page].Lookup(part) == nil {
				t.Errorf("page %s has no part %s", page, part)
			}
		}
	}
}

// A predicted time is said as the sentence above it says it: the same minute.
func TestAPredictedTimeIsSaidOnceInOneWording(t *testing.T) {
	s := newFakeBox("weigh").screens()
	for left, want := range map[time.Duration]string{
		23*time.Minute + 20*time.Second: "about 23 min to go", 23*time.Minute + 40*time.Second: "about 24 min to go",
		70 * time.Minute: "about 1 h 10 min to go", 53 * time.Second: "about 50 s to go", 119 * time.Second: "about 2 min to go",
	} {
		sv := s.stepView(s.box.Now(), asMeasured, Step{Outlook: rules.Outlook{Left: left}})
		if sv.Left != want {
			t.Errorf("%v: %q, want %q", left, sv.Left, want)
		}
	}
	// of a set length: rounded up, so that what has gone and what is left make the whole
	sv := s.stepView(s.box.Now(), asMeasured, Step{Outlook: rules.Outlook{Left: 36*time.Minute + time.Second, Lasts: time.Hour}})
	if sv.Left != "37 min left" {
		t.Errorf("of a set length: %q", sv.Left)
	}
}

// A length of time that was measured is written on a page as on paper.
func TestAMeasuredTimeIsWrittenAsOnPaper(t *testing.T) {
	w := english(t)
	for s := -200.0; s < 400_000; s += 0.25 + math.Abs(s)/400 {
		if got, want := w.measured(s), rules.Span(s); got != want {
			t.Fatalf("%g s: %q on a page, %q on paper", s, got, want)
		}
	}
	if got := w.measured(math.NaN()); got != "?" {
		t.Errorf("no number is %q", got)
	}
}
