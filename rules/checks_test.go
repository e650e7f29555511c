package rules

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

const aPhoto = "3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a3f0a"

func anyOf(names ...string) func(string) bool {
	return func(n string) bool { return slices.Contains(names, n) }
}

func TestWhatIsSaidOfACheck(t *testing.T) {
	known := anyOf("drains", "indoor-power-off")
	for note, want := range map[string]Tick{
		"drains":                           {Check: "drains", State: CheckDone},
		"drains:":                          {Check: "drains", State: CheckDone},
		" drains done ":                    {Check: "drains", State: CheckDone},
		"drains done by Ines":              {Check: "drains", State: CheckDone, By: "Ines"},
		"drains done by Ines: all twelve":  {Check: "drains", State: CheckDone, By: "Ines", Remark: "all twelve"},
		"drains done: by Ines: all twelve": {Check: "drains", State: CheckDone, Remark: "by Ines: all twelve"},
		"drains wrong: iu03 is not glued":  {Check: "drains", State: CheckWrong, Remark: "iu03 is not glued"},
		"drains does not apply by Rui: none in this job":            {Check: "drains", State: CheckApart, By: "Rui", Remark: "none in this job"},
		"north/drains does-not-apply: none here":                    {System: "north", Check: "drains", State: CheckApart, Remark: "none here"},
		"drains left-open by Ines: ceiling closed":                  {Check: "drains", State: CheckLeft, By: "Ines", Remark: "ceiling closed"},
		"drains withdrawn by Ines":                                  {Check: "drains", State: CheckWithdrawn, By: "Ines"},
		"drains done by Ines photo " + aPhoto:                       {Check: "drains", State: CheckDone, By: "Ines", Photos: []string{aPhoto}},
		"drains done: a photo photo " + aPhoto + photoWord + aPhoto: {Check: "drains", State: CheckDone, Remark: "a photo", Photos: []string{aPhoto, aPhoto}},
	} {
		got, ok := ReadTick(note, known)
		if !ok || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: %+v %v, want %+v", note, got, ok, want)
		}
		again, ok := ReadTick(got.Text(), known)
		if !ok || !reflect.DeepEqual(again, got) {
			t.Errorf("%q is written as %q and read as %+v", note, got.Text(), again)
		}
	}
	// What people write as they speak, what is another mark's, and what only looks like a tick.
	for note, check := range map[string]string{
		"": "", "trial-run finished without a fault": "", "all drains done": "", "Drains done": "", "north/roof/": "",
		"drains not done": "drains", "drains done, but not glued": "drains", "drains: glued": "drains", "drains connected and glued": "drains",
		"drains doneby Ines": "drains", "drains done photo 12": "drains", "drains photo": "drains", "indoor-power-off was on": "indoor-power-off",
	} {
		if got, ok := ReadTick(note, known); ok || got.Check != check {
			t.Errorf("%q is read as %+v, %v", note, got, ok)
		}
	}
}

func FuzzTick(f *testing.F) {
	f.Add("drains done by Ines: all twelve photo " + aPhoto)
	f.Add("a/b/drains left open: x: y")
	f.Add("drains withdrawn by ::")
	f.Fuzz(func(t *testing.T, note string) {
		known := anyOf("drains")
		got, ok := ReadTick(note, known)
		if !ok {
			return
		}
		if again, ok := ReadTick(got.Text(), known); !ok || !reflect.DeepEqual(again, got) {
			t.Errorf("%q is read as %+v, written as %q and then read as %+v", note, got, got.Text(), again)
		}
	})
}

// The list is data that records stand on: every check can be named in a note,
// stands before a step of ours, and says what, why and by whose word.
func TestEveryCheckIsWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range tradeChecks() {
		if seen[c.Name] || knownStep(c.Name) || strings.Trim(c.Name, "abcdefghijklmnopqrstuvwxyz-") != "" {
			t.Errorf("%q cannot name a check", c.Name)
		}
		seen[c.Name] = true
		if len(c.Before) == 0 || c.After != "" && !knownStep(c.After) {
			t.Errorf("%s stands before %q, after %q", c.Name, c.Before, c.After)
		}
		for _, s := range c.Before {
			if !knownStep(s) || c.After != "" && slices.Index(stepNames[:], s) <= slices.Index(stepNames[:], c.After) {
				t.Errorf("%s stands before %s, after %q", c.Name, s, c.After)
			}
		}
		for _, text := range []string{c.Text, c.Why} {
			if !strings.HasSuffix(text, ".") || len(text) < 40 {
				t.Errorf("%s: %q", c.Name, text)
			}
		}
		if c.Source == "" {
			t.Errorf("%s has no source", c.Name)
		}
	}
	// What the job names as unseen by any sensor.
	for _, name := range []string{"pipe-sizes", "branch-order", "lengths-heights", "brackets-off", "valves-shut", "valves-open", "pressure-tag", "insulated",
		"no-oil-traps", "drains", "indoor-power-off", "thermostats", "leak-search", "counts-agreed"} {
		if !seen[name] {
			t.Errorf("the list lacks %s", name)
		}
	}
}

func openNames(l *CheckList, step string) (names []string) {
	for _, c := range l.Open(step) {
		names = append(names, c.Name)
	}
	return names
}

func TestACheckStandsAsWhatWasSaidLast(t *testing.T) {
	site := Site{Systems: []System{{Name: "north", Refrigerant: "R-410A"}, {Name: "south", Refrigerant: "R-32"}},
		OwnChecks: []Check{{Name: "crane", Before: []string{"preheat"}, Text: "The crane is gone.", Own: true}}, DropChecks: []string{"mains"}}
	l := NewCheckList(site, "north")
	say := func(system, note string) bool {
		return l.Tell(Entry{Seq: 7}, &Told{Kind: "mark", Name: "checked", System: system, Note: note, By: "Rui"})
	}
	if got := openNames(l, "preheat"); !slices.Equal(got, []string{"brackets-off", "crane"}) {
		t.Errorf("open before preheat: %q", got)
	}
	if slices.ContainsFunc(l.All(), func(c CheckState) bool { return c.Name == "no-ignition" }) {
		t.Error("R-410A asks for what is of flammable refrigerants")
	}
	if south := NewCheckList(site, "south"); len(south.All()) != len(l.All())+1 {
		t.Error("R-32 does not ask for it")
	}
	for _, step := range []struct {
		system, note string
		taken        bool
		open         string
		state        string
	}{
		{"", "crane done", false, "brackets-off crane", ""}, // of which system?
		{"south", "crane done", false, "brackets-off crane", ""},
		{"north", "mains done", false, "brackets-off crane", ""},
		{"north", "crane wrong: still there", true, "brackets-off crane", CheckWrong},
		{"", "north/crane left-open by Ines: it goes at noon", true, "brackets-off", CheckWrong},
		{"north", "crane wrong: it stays", true, "brackets-off crane", CheckWrong}, // found anew: asked anew
		{"north", "crane done", true, "brackets-off", CheckDone},
		{"north", "crane withdrawn", true, "brackets-off crane", ""},
		{"north", "crane does-not-apply: no crane", true, "brackets-off", CheckApart},
	} {
		if got := say(step.system, step.note); got != step.taken {
			t.Errorf("%q of %q is taken: %v", step.note, step.system, got)
		}
		c := l.items[l.index("crane")]
		if got := strings.Join(openNames(l, "preheat"), " "); got != step.open || c.State != step.state {
			t.Errorf("after %q: open %q, crane %q", step.note, got, c.State)
		}
	}
	if m, ok := l.items[l.index("crane")].Last(); !ok || m.By != "Rui" || m.Seq != 7 {
		t.Errorf("what was said last: %+v", m)
	}
}
