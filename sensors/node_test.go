package sensors

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"
)

// scalar and field build nodes with places, as the reader of the site file does.
func scalar(text string, line, col int) Node {
	return Node{File: "site.yaml", Line: line, Column: col, Kind: Scalar, Text: text}
}

func mapping(fields ...Field) Node {
	return Node{File: "site.yaml", Line: 1, Column: 1, Kind: Mapping, Fields: fields}
}

func field(key string, line int, value Node) Field {
	return Field{Key: key, Line: line, Col: 3, Value: value}
}

func texts(faults []error) []string {
	var ts []string
	for _, f := range faults {
		ts = append(ts, f.Error())
	}
	return ts
}

func TestDecoderReadsWhatIsGiven(t *testing.T) {
	var faults []error
	d := Decode(mapping(
		field("name", 2, scalar("gauge", 2, 9)),
		field("on", 3, scalar("true", 3, 7)),
		field("off", 4, scalar("false", 4, 8)),
		field("every", 5, scalar("2min", 5, 10)),
		field("kind", 6, scalar("plain", 6, 9)),
		field("batch", 7, scalar("500", 7, 10)),
		field("to", 8, Node{File: "site.yaml", Line: 8, Column: 7, Kind: List, Items: []Node{scalar("a", 8, 8), scalar("b", 8, 11)}}),
		field("one", 9, scalar("alone", 9, 8)),
	), &faults)
	got := []any{
		d.Required("name"), d.Bool("on", false), d.Bool("off", true), d.Time("every", 0), d.OneOf("kind", "", "json", "plain"),
		d.Whole("batch", 1, 1, 1000), d.Texts("to"), d.Texts("one"),
		d.Text("absent", "other"), d.Bool("absent", true), d.Time("absent", time.Hour), d.OneOf("absent", "x", "y"), d.Whole("absent", 7, 0, 9), d.Texts("absent"),
	}
	want := []any{
		"gauge", true, false, 2 * time.Minute, "plain", 500, []string{"a", "b"}, []string{"alone"},
		"other", true, time.Hour, "x", 7, []string(nil),
	}
	for i := range want {
		if !reflect.DeepEqual(got[i], want[i]) {
			t.Errorf("value %d is %v, want %v", i, got[i], want[i])
		}
	}
	if d.Done(); faults != nil {
		t.Error(faults)
	}
}

func TestDecoderTellsEveryFault(t *testing.T) {
	var faults []error
	d := Decode(mapping(
		field("on", 3, scalar("yes", 3, 7)),
		field("every", 5, scalar("2", 5, 10)),
		field("kind", 6, scalar("jsn", 6, 9)),
		field("batch", 7, scalar("0x10", 7, 10)),
		field("many", 8, scalar("+5", 8, 9)),
		field("empty", 9, Node{}),
		field("list", 10, mapping()),
		field("limmit", 11, scalar("5", 11, 11)),
		field("blank", 12, scalar("", 12, 10)),
	), &faults)
	d.Bool("on", false)
	d.Time("every", 0)
	d.OneOf("kind", "", "json", "plain")
	d.Whole("batch", 1, 1, 1000)
	d.Whole("many", 1, 1, 1000)
	d.Text("empty", "")
	d.Text("list", "")
	d.Text("limit", "")
	d.Required("blank")
	d.Required("name")
	d.Done()
	want := []string{
		`site.yaml:3:7: on: "yes" is neither true nor false; write true or false`,
		`site.yaml:5:10: every: "2" has no unit; write a time with one of d, h, min, ms, s`,
		`site.yaml:6:9: kind: "jsn" is not known here; did you mean json? write one of json, plain`,
		`site.yaml:7:10: batch: "0x10" is not a number that fits here; write a whole number from 1 to 1000`,
		`site.yaml:8:9: many: "+5" is not a number that fits here; write a whole number from 1 to 1000`,
		`site.yaml:9:3: empty is empty; write a value, or delete the key`,
		`site.yaml:1:1: list should be a single value`,
		`site.yaml:12:10: blank is empty; write a value`,
		`site.yaml:1:1: name is missing; add name: ...`,
		`site.yaml:11:3: unknown key "limmit"; did you mean limit? known here: on, every, kind, batch, many, empty, list, limit, blank, name`,
	}
	got := texts(faults)
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || got[i] != want[i] {
			t.Errorf("got\n%q\nwant\n%q", got, want)
			break
		}
	}
}

func TestDecoderOfNothingAndOfSomethingElse(t *testing.T) {
	var faults []error
	d := Decode(Node{}, &faults)
	if d.Text("a", "b") != "b" || faults != nil {
		t.Errorf("nothing given: %v", faults)
	}
	d.Done()
	d = Decode(scalar("words", 4, 2), &faults)
	d.Required("name")
	d.Done()
	if got := texts(faults); !slices.Equal(got, []string{"site.yaml:4:2: this should be a mapping; write {key: value, ...}"}) {
		t.Errorf("%q", got)
	}
}

func TestTheNearestWord(t *testing.T) {
	known := []string{"limit", "lasts", "target", "lead", "vacuum-gauge"}
	for word, want := range map[string]string{
		"limmit": "limit", "lmit": "limit", "liimt": "limit", "LIMIT": "limit", "last": "lasts",
		"vacuum-guage": "vacuum-gauge", "trget": "target", "pressure": "", "x": "", "": "", "led": "lead", "limimits": "",
	} {
		if got := nearest(word, known); got != want {
			t.Errorf("%q: did you mean %q? want %q", word, got, want)
		}
	}
}

// The distance is held against its definition, computed the slow way.
func FuzzSlips(f *testing.F) {
	f.Add("limmit", "limit")
	f.Add("ab", "ba")
	f.Fuzz(func(t *testing.T, a, b string) {
		if len(a) > 7 || len(b) > 7 {
			return
		}
		want := distance(a, b)
		if got := slips(a, b); got != want && !(want > 2 && got > 2) {
			t.Errorf("%q to %q: %d slips, want %d", a, b, got, want)
		}
	})
}

func distance(a, b string) int {
	if a == "" || b == "" {
		return len(a) + len(b)
	}
	differ := 1
	if a[0] == b[0] {
		differ = 0
	}
	d := min(distance(a[1:], b)+1, distance(a, b[1:])+1, distance(a[1:], b[1:])+differ)
	if len(a) > 1 && len(b) > 1 && a[0] == b[1] && a[1] == b[0] {
		d = min(d, distance(a[2:], b[2:])+1)
	}
	return d
}

func TestKnownListsAreShort(t *testing.T) {
	var many []string
	for i := range 300 {
		many = append(many, fmt.Sprintf("point-%d", i))
	}
	if s := Known("zzz", many, ""); len(s) > 400 {
		t.Errorf("%d characters of help", len(s))
	}
	if s := Known("point-1x", many, "add it"); s != "did you mean point-1? add it" && s != "did you mean point-10? add it" {
		t.Error(s)
	}
}

// A file of the site file counts from the site file's folder, wherever the box was started.
func TestDecoderPath(t *testing.T) {
	var faults []error
	d := Decode(Node{File: "/etc/quay/site.yaml", Kind: Mapping, Fields: []Field{
		field("near", 1, scalar("secrets/store.token", 1, 1)), field("far", 2, scalar("/run/store.token", 2, 1)),
	}}, &faults)
	for key, want := range map[string]string{"near": "/etc/quay/secrets/store.token", "far": "/run/store.token", "absent": ""} {
		if got := d.Path(key); got != want {
			t.Errorf("%s is %q, want %q", key, got, want)
		}
	}
	if d.Done(); faults != nil {
		t.Error(faults)
	}
}
