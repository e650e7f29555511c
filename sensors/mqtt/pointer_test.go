package mqtt

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"
)

// RFC 6901, section 5: the document and the pointers of its example.
const rfc6901 = `{
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
   }`

func TestPointer(t *testing.T) {
	t.Parallel()
	for p, want := range map[string]string{
		"": rfc6901, "/foo": `["bar", "baz"]`, "/foo/0": `"bar"`, "/": "0", "/a~1b": "1", "/c%d": "2",
		"/e^f": "3", "/g|h": "4", `/i\j`: "5", `/k"l`: "6", "/ ": "7", "/m~0n": "8",
		// Not in the RFC's list: what is not there.
		"/foo/2": "", "/foo/-": "", "/foo/00": "", "/foo/01": "", "/foo/x": "", "/nothing": "", "/foo/0/x": "", "//x": "",
	} {
		q, err := parsePointer(p)
		if err != nil {
			t.Errorf("%q: %v", p, err)
			continue
		}
		if got := string(q.find([]byte(rfc6901))); got != want {
			t.Errorf("%q gives %s, want %s", p, got, want)
		}
	}
	for _, p := range []string{"a", "a/b", "/a~", "/a~2", "~0"} {
		if _, err := parsePointer(p); err == nil {
			t.Errorf("%q is accepted", p)
		}
	}
}

// reference finds the value with encoding/json.
func reference(doc []byte, p pointer) (v any, ok bool) {
	d := json.NewDecoder(strings.NewReader(string(doc)))
	d.UseNumber()
	if d.Decode(&v) != nil {
		return nil, false
	}
	for _, token := range p {
		switch in := v.(type) {
		case map[string]any:
			if v, ok = in[token]; !ok {
				return nil, false
			}
		case []any:
			i, ok := arrayIndex(token)
			if !ok || i >= len(in) {
				return nil, false
			}
			v = in[i]
		default:
			return nil, false
		}
	}
	return v, true
}

func FuzzPointer(f *testing.F) {
	for _, doc := range []string{
		rfc6901, `{"a":{"b":[1,2,{"c":null}]}}`, `{"a":1,"a":2}`, `{"\u0061":1}`, "{\"\xff\":1}", `[]`, `[1,]`, `{"a":1}x`,
		`01`, `-0`, `1.`, `1e5`, `"\ud800"`, ` [1 , 2 ] `, `{"a" : {}}`, `nul`, `"a`, "\"\x01\"", strings.Repeat("[", 30), `{"é":1}`, `1e999`,
	} {
		for _, p := range []string{"", "/a", "/a/b/2/c", "/0", "/1", "/foo/1", "/\ufffd", "/é"} {
			f.Add([]byte(doc), p)
		}
	}
	f.Fuzz(func(t *testing.T, doc []byte, text string) {
		if got, want := validJSON(doc), json.Valid(doc); got != want {
			t.Fatalf("%q: valid %t, encoding/json says %t", doc, got, want)
		}
		p, err := parsePointer(text)
		if err != nil || !json.Valid(doc) {
			return
		}
		want, there := reference(doc, p)
		raw := p.find(doc)
		if (raw != nil) != there {
			t.Fatalf("%q at %q: found %q, encoding/json %v", doc, text, raw, want)
		}
		if !there {
			return
		}
		got, _ := reference(raw, nil)
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%q at %q: %v, encoding/json %v", doc, text, got, want)
		}
		if s, ok := want.(string); ok && wholeText(raw) != s {
			t.Fatalf("%q at %q: text %q, encoding/json %q", doc, text, wholeText(raw), s)
		}
		if n, ok := want.(json.Number); ok {
			v, ok := plainFloat(raw)
			w, err := n.Float64()
			if !ok || v != w {
				t.Fatalf("%q at %q: %g %t, encoding/json %g %v", doc, text, v, ok, w, err)
			}
		}
	})
}

func wholeText(raw []byte) string { return text(raw) }

func BenchmarkJSONReading(b *testing.B) {
	f := &feed{format: jsonFormat, timeFormat: "auto"}
	f.Quantity, f.Unit, f.Name = 2, "micron", "gauge"
	f.value, f.time, f.seq = pointer{"p"}, pointer{"t"}, pointer{"n"}
	doc := []byte(`{"id":"gauge-7","p":312.5,"t":1764021600.125,"n":123456}`)
	d := &dispatch{feeds: []*feed{f}}
	b.ReportAllocs()
	for b.Loop() {
		rs := d.readings(nil, message{payload: doc}, epoch, func(string) {})
		if len(rs) != 1 || rs[0].Own == 0 {
			b.Fatal(fmt.Sprint(rs))
		}
	}
}
