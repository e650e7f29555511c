package simulate

import (
	"bytes"
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/config"
	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/all"
)

// quayside reads the site file as the demo does.
func quayside(t *testing.T) *config.Site {
	t.Helper()
	file, err := WriteSite(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	site, faults := config.Load(file, all.Drivers())
	for _, f := range faults {
		t.Error(f)
	}
	if len(faults) > 0 {
		t.FailNow()
	}
	return site
}

func TestTheSiteFileHasNoFault(t *testing.T) {
	site := quayside(t)
	if len(site.Systems) != 1 || len(site.Systems[0].Units) != 12 || len(site.Points) != 49 {
		t.Fatalf("%d systems, %d points", len(site.Systems), len(site.Points))
	}
}

// straight reads the instruments' payloads without a broker, as far as this
// package writes them; the driver is tested against the formats themselves.
type straight map[string]sensors.Point

func (s straight) read(t *testing.T, m Message, use func(sensors.Reading)) {
	if m.Payload[0] == '[' {
		s.readPack(t, m, use)
		return
	}
	name := strings.TrimPrefix(m.Topic, "quayside/")
	p := s[name]
	key := map[string]string{"gauge": "vacuum", "scale": "gross", "barometer": "hPa"}[name]
	r := p.Quantity.Reading(name, member(t, m.Payload, key), p.Unit)
	if name == "scale" && member(t, m.Payload, "battery") < 20 {
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}
	}
	use(r)
}

// member finds a number by its key.
func member(t *testing.T, payload []byte, key string) float64 {
	_, rest, ok := bytes.Cut(payload, []byte(`"`+key+`":`))
	end := bytes.IndexAny(rest, ",}")
	if !ok || end < 0 {
		t.Fatalf("no %s in %s", key, payload)
	}
	return number(t, string(rest[:end]))
}

func (s straight) readPack(t *testing.T, m Message, use func(sensors.Reading)) {
	units := map[string]string{"Cel": "C", "Pa": "Pa", "%RH": "%"}
	for rec := range bytes.SplitSeq(m.Payload, []byte("},{")) {
		_, rest, _ := bytes.Cut(rec, []byte(`"n":"`))
		name, rest, _ := bytes.Cut(rest, []byte(`","`))
		p, known := s[strings.TrimSuffix(string(name), `","`)]
		if on, is := bytes.CutPrefix(rest, []byte(`vb":`)); is {
			v := 0.0
			if bytes.HasPrefix(on, []byte("true")) {
				v = 1
			}
			use(p.Quantity.Reading(p.Name, v, ""))
			continue
		}
		_, unit, _ := bytes.Cut(rec, []byte(`"u":"`))
		unit, _, _ = bytes.Cut(unit, []byte(`"`))
		word, understood := units[string(unit)]
		if !known || !understood {
			t.Fatalf("%q of unit %q in %s", name, unit, rec)
		}
		_, v, _ := bytes.Cut(rec, []byte(`"v":`))
		use(p.Quantity.Reading(p.Name, number(t, string(bytes.TrimRight(v, "}]"))), word))
	}
}

// judge plays a night straight into the engine, stamped as the demo does: now
// is the greatest time that an instrument told.
func judge(t *testing.T, site *config.Site, seed uint64, scenario string) ([]rules.Finding, *watcher) {
	t.Helper()
	points := straight{}
	for _, p := range site.Points {
		points[p.Name] = p
	}
	engine := rules.NewEngine(site.Site, rules.All())
	var found []rules.Finding
	var seq uint64
	var now rules.Instant
	feed := func(b rules.Body) {
		seq++
		found = append(found, engine.Next(rules.Entry{Seq: seq, At: now, Body: b})...)
	}
	start := begin.Add(-time.Second) // as Night.Begin
	now.Boot = 1
	feed(&rules.Started{})
	feed(&rules.Clocked{Wall: start.UnixMilli(), Source: "simulated", Proven: true})
	w := &watcher{open: map[string]bool{}}
	play(t, seed, scenario, func(n *Night, tick Tick) {
		w.tick(t, n, tick)
		for _, m := range tick.Messages {
			now.Since = time.UnixMilli(m.Own).Sub(start)
			points.read(t, m, func(r sensors.Reading) {
				r.Own = m.Own
				feed(&rules.Measured{Reading: r, Taken: now.Since})
			})
		}
		for _, m := range tick.Marks {
			if m.Kind == "begin" {
				m.Limits = site.Settings("", m.Name)
			}
			feed(&m)
		}
	})
	return found, w
}

// flags lists what was raised, with its subjects, and what waked somebody.
func flags(found []rules.Finding) (names, wakes []string) {
	for _, f := range found {
		if f.Edge != rules.Raised {
			continue
		}
		if !slices.Contains(names, f.Flag) {
			names = append(names, f.Flag)
		}
		if f.Urgency == rules.Wake && !slices.Contains(wakes, f.Flag) {
			wakes = append(wakes, f.Flag)
		}
	}
	slices.Sort(names)
	slices.Sort(wakes)
	return names, wakes
}

var seeds = flag.Uint64("seeds", 2, "how many seeds each scenario is played with")

// Each scenario is true to its story and raises its own flags and no other,
// whatever the seed.
func TestScenarios(t *testing.T) {
	site := quayside(t)
	for _, s := range Scenarios() {
		want := slices.Sorted(slices.Values(s.Flags))
		var usual string
		for seed := range *seeds {
			t.Run(fmt.Sprintf("%s/%d", s.Name, seed), func(t *testing.T) {
				found, w := judge(t, site, seed, s.Name)
				w.check(t, s)
				if got := causes(found); !slices.Equal(got, s.causes()) {
					t.Errorf("the holds' causes are %v, want %v", got, s.causes())
				}
				found = slices.DeleteFunc(found, func(f rules.Finding) bool { return slices.Contains(s.Perhaps, f.Flag) })
				got, wakes := flags(found)
				if !slices.Equal(got, want) {
					t.Errorf("raised %v, want %v", got, want)
				}
				if got := crossings(found); got != s.crossings() {
					t.Errorf("crossed are %q, want %q", got, s.crossings())
				}
				// The call to close the valve comes in every night.
				if s.Name == "good-night" && !slices.Equal(wakes, []string{"charge-near-target"}) {
					t.Errorf("somebody was woken: %v", wakes)
				}
				if e := edges(found); usual == "" {
					usual = e
				} else if e != usual {
					t.Errorf("other edges than with seed 0:\n%s\nseed 0:\n%s", e, usual)
				}
				if t.Failed() {
					t.Log(tell(found))
				}
			})
		}
	}
}

// causes is the last verdict's cause of each vacuum hold.
func causes(found []rules.Finding) (cs []string) {
	last := uint64(0)
	for _, f := range found {
		switch {
		case f.Edge != rules.Given || f.Flag != "vacuum-hold":
		case f.Begin == last:
			cs[len(cs)-1] = f.Cause
		default:
			cs, last = append(cs, f.Cause), f.Begin
		}
	}
	return cs
}

// crossings are those of the last verdict of the branch check.
func crossings(found []rules.Finding) (said string) {
	for _, f := range found {
		if f.Edge == rules.Given && f.Flag == "branch-check" {
			said = fmt.Sprint(f.Result, f.Pairs)
		}
	}
	return said
}

func (s Scenario) crossings() string {
	if s.crossed {
		return "failed[{iu05 iu06} {iu06 iu05}]"
	}
	return ""
}

func (s Scenario) causes() []string {
	switch {
	case s.leak:
		return []string{"leak", "none"}
	case s.wet:
		return []string{"moisture", "none"}
	}
	return []string{"none"}
}

// edges is each flag's edges without their times, in the order of their flags.
func edges(found []rules.Finding) string {
	var lines []string
	for _, f := range found {
		if f.Edge != rules.Given {
			lines = append(lines, fmt.Sprintf("%s %s %s %s %s", f.Flag, f.Subject, f.Step, f.Edge, f.Urgency))
		}
	}
	slices.SortStableFunc(lines, func(a, b string) int {
		fa, sa, _ := strings.Cut(a, " ")
		fb, sb, _ := strings.Cut(b, " ")
		return strings.Compare(fa+first(sa), fb+first(sb))
	})
	return strings.Join(lines, "\n")
}

func first(s string) string { w, _, _ := strings.Cut(s, " "); return w }

func tell(found []rules.Finding) string {
	var b strings.Builder
	for _, f := range found {
		if f.Edge == rules.Given {
			fmt.Fprintf(&b, "%s  verdict %s %s %s %s: %s\n", f.At.Since, f.Flag, f.Unit, f.Result, f.Cause, f.Text)
			continue
		}
		fmt.Fprintf(&b, "%s  %s %s %s %s: %s\n", f.At.Since, f.Edge, f.Urgency, f.Flag, f.Subject, f.Text)
	}
	return b.String()
}
