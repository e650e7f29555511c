package uplink

import (
	"strings"
	"testing"
	"unicode/utf8"

	lineprotocol "github.com/influxdata/line-protocol"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// Whatever a site file or a finding is called, it makes exactly one line, and
// the protocol's own parser reads back every tag and text.
func FuzzLines(f *testing.F) {
	for _, s := range []string{"plain", "a b", "a,b", "a=b", `a"b`, `a\b`, `a\`, `\`, "a\nb", "a\r\nb", "a\tb", "öst 東", "\xff\xfe", " a ", "", `a\ `, "a\x00b", "#", `",x=1 2`} {
		f.Add(s, s)
	}
	f.Fuzz(func(t *testing.T, name, text string) {
		w := newWriter(name, rules.Site{Name: name})
		p := sensors.Point{Name: name, System: name, Role: name, Quantity: sensors.Mass}
		m := &rules.Measured{Reading: sensors.Reading{Point: name, Value: 1.5, Health: sensors.Health{Grade: sensors.Suspect, Reason: text}}}
		line, err := w.reading(m, p, 17)
		if err != nil {
			t.Fatal(err)
		}
		back := parse(t, line)
		if back.Name() != "mass" || back.Time().UnixNano() != 17 {
			t.Errorf("%q reads back as %v", line, back)
		}
		for _, tag := range back.TagList() {
			if tag.Value != tagValue(name) {
				t.Errorf("tag %s of %q is %q", tag.Key, name, tag.Value)
			}
		}
		if want := 5; tagValue(name) != "" && len(back.TagList()) != want {
			t.Errorf("%d tags in %q, want %d", len(back.TagList()), line, want)
		}
		if seriesOf(line) != line[:strings.Index(line, " kilograms=1.5")] {
			t.Errorf("series of %q is %q", line, seriesOf(line))
		}

		line, err = w.finding(journal.Stored{ID: 1, Finding: rules.Finding{Flag: "vacuum-rising", Subject: name, Text: text}}, 18)
		if err != nil {
			t.Fatal(err)
		}
		for _, field := range parse(t, line).FieldList() {
			if field.Key == "text" && field.Value != clean(text) {
				t.Errorf("text %q reads back as %q", text, field.Value)
			}
		}
	})
}

func parse(t *testing.T, line string) lineprotocol.Metric {
	t.Helper()
	if strings.ContainsAny(line, "\n\r") || !utf8.ValidString(line) {
		t.Fatalf("%q is not one line of text", line)
	}
	ms, err := lineprotocol.NewParser(lineprotocol.NewMetricHandler()).Parse([]byte(line))
	if err != nil || len(ms) != 1 {
		t.Fatalf("%q: %d lines, %v", line, len(ms), err)
	}
	return ms[0]
}
