package mqtt

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"standwatch/sensors"
)

// epoch is when a test receives a message.
var epoch = time.Unix(1764021600, 0)

// node makes settings of key, value pairs; a value is a text or another node.
func node(pairs ...any) sensors.Node {
	n := sensors.Node{File: "site.yaml", Line: 1, Column: 1, Kind: sensors.Mapping}
	for i := 0; i < len(pairs); i += 2 {
		v, ok := pairs[i+1].(sensors.Node)
		if !ok {
			v = sensors.Node{File: "site.yaml", Line: 2 + i, Column: 9, Kind: sensors.Scalar, Text: pairs[i+1].(string)}
		}
		n.Fields = append(n.Fields, sensors.Field{Key: pairs[i].(string), Line: 2 + i, Col: 3, Value: v})
	}
	return n
}

func point(name string, q sensors.Quantity, unit string, pairs ...any) sensors.Point {
	return sensors.Point{Name: name, Quantity: q, Unit: unit, Settings: node(pairs...)}
}

// topics makes the dispatch of some points.
func topics(t *testing.T, points ...sensors.Point) map[string]*dispatch {
	t.Helper()
	var faults []error
	var feeds []*feed
	for _, p := range points {
		feeds = append(feeds, readFeed(p, &faults))
	}
	if len(faults) > 0 {
		t.Fatal(errors.Join(faults...))
	}
	return dispatches(feeds)
}

// show writes readings down shortly: point=value health own seq.
func show(rs []sensors.Reading) string {
	var out []string
	for _, r := range rs {
		s := fmt.Sprintf("%s=%g", r.Point, r.Value)
		if r.Health.Grade != sensors.Good {
			s = fmt.Sprintf("%s=%s(%s)", r.Point, r.Health.Grade, r.Health.Reason)
			if r.Health.Grade == sensors.Suspect {
				s += fmt.Sprintf("%g", r.Value)
			}
		}
		if r.Own != 0 {
			s += fmt.Sprintf("@%d", r.Own)
		}
		if r.HasSeq {
			s += fmt.Sprintf("#%d", r.Seq)
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

func read(ts map[string]*dispatch, m message) string {
	return show(ts[m.topic].readings(nil, m, epoch, func(string) {}))
}

func TestPlain(t *testing.T) {
	t.Parallel()
	ts := topics(t,
		point("gauge", sensors.Vacuum, "micron", "topic", "g"),
		point("pipe", sensors.Temperature, "C", "topic", "p"),
		point("power", sensors.Contact, "", "topic", "w"),
	)
	// 1000 micron are 133.322 Pa (one millimetre of mercury); 77 F are 25 C; 300 K are 26.85 C.
	for _, c := range []struct{ topic, payload, want string }{
		{"g", "1000", "gauge=133.322"},
		{"g", "1000 micron", "gauge=133.322"},
		{"g", " 133.322 Pa\r\n", "gauge=133.322"},
		{"g", "1e3", "gauge=133.322"},
		{"g", "1000micron", "gauge=133.322"},
		{"g", "50 psig", "gauge=failed(wrong-unit)"},
		{"g", "12.3 C", "gauge=failed(wrong-unit)"},
		{"g", "12.3 furlong", "gauge=failed(wrong-unit)"},
		{"g", "-1", "gauge=failed(off-scale)"},
		{"g", "1e400", "gauge=failed(not-a-number)"},
		{"g", "NaN", "gauge=failed(not-a-number)"},
		{"g", "-inf", "gauge=failed(not-a-number)"},
		{"g", "null", "gauge=failed(not-a-number)"},
		{"g", "", "gauge=failed(garbage)"},
		{"g", "   ", "gauge=failed(garbage)"},
		{"g", "hello", "gauge=failed(garbage)"},
		{"g", "12.3.4", "gauge=failed(garbage)"},
		{"g", "12,3", "gauge=failed(garbage)"},
		{"g", "12.3 micron abs", "gauge=failed(garbage)"},
		{"g", "\xff\xfe", "gauge=failed(garbage)"},
		{"g", "0x10", "gauge=failed(wrong-unit)"},
		{"g", strings.Repeat("1", longestSingle+1), "gauge=failed(oversize)"},
		{"p", "-5.0 C", "pipe=-5"},
		{"p", "77 F", "pipe=25"},
		{"p", "300 K", "pipe=26.85"},
		{"p", "+25", "pipe=25"},
		{"p", "-300", "pipe=failed(off-scale)"},
		{"w", "ON", "power=1"},
		{"w", "off", "power=0"},
		{"w", "1", "power=1"},
		{"w", "closed\n", "power=1"},
		{"w", "maybe", "power=failed(garbage)"},
	} {
		if got := read(ts, message{topic: c.topic, payload: []byte(c.payload)}); got != c.want {
			t.Errorf("%.40q: %s, want %s", c.payload, got, c.want)
		}
	}
}

func TestJSON(t *testing.T) {
	t.Parallel()
	ts := topics(t,
		point("gauge", sensors.Vacuum, "micron", "topic", "g", "value", "/p", "unit", "/u", "time", "/t", "seq", "/n", "battery", "/b", "fault", "/f"),
		point("pipe", sensors.Temperature, "C", "topic", "two", "value", "/pipe/0"),
		point("air", sensors.Temperature, "C", "topic", "two", "value", "/air~1in"),
		point("power", sensors.Contact, "", "topic", "w", "value", "/on"),
		point("whole", sensors.Temperature, "C", "topic", "whole", "format", "json"),
		point("clock", sensors.Temperature, "C", "topic", "clock", "value", "/v", "time", "/t", "time_format", "unix"),
	)
	// 2025-11-24T22:00:00Z is 1764021600 s after the Unix epoch.
	for _, c := range []struct{ topic, payload, want string }{
		{"g", `{"p":1000}`, "gauge=133.322"},
		{"g", `{"p":"1000"}`, "gauge=133.322"},
		{"g", `{"p":" 1000 "}`, "gauge=133.322"},
		{"g", `{"p":"1000 micron"}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":133.322,"u":"Pa"}`, "gauge=133.322"},
		{"g", `{"p":1,"u":"C"}`, "gauge=failed(wrong-unit)"},
		{"g", `{"p":1000,"t":"2025-11-24T22:00:00Z","n":7}`, "gauge=133.322@1764021600000#7"},
		{"g", `{"p":1000,"t":"2025-11-24T23:00:00.250+01:00","n":"7"}`, "gauge=133.322@1764021600250#7"},
		{"g", `{"p":1000,"t":1764021600.125}`, "gauge=133.322@1764021600125"},
		{"g", `{"p":1000,"t":1764021600125}`, "gauge=133.322@1764021600125"},
		{"g", `{"p":1000,"t":"1764021600"}`, "gauge=133.322@1764021600000"},
		{"g", `{"p":1000,"t":null}`, "gauge=133.322"},
		{"g", `{"p":1000,"t":0}`, "gauge=suspect(time-off)133.322"},
		{"g", `{"p":1000,"t":"yesterday"}`, "gauge=suspect(time-off)133.322"},
		{"g", `{"p":1000,"t":1e300}`, "gauge=suspect(time-off)133.322"},
		{"g", `{"p":1000,"t":true}`, "gauge=suspect(time-off)133.322"},
		{"g", `{"p":1000,"n":-1}`, "gauge=133.322"},
		{"g", `{"p":1000,"n":18446744073709551615}`, "gauge=133.322#18446744073709551615"},
		{"g", `{"p":1000,"b":0.19}`, "gauge=suspect(battery-low)133.322"},
		{"g", `{"p":1000,"b":0.21}`, "gauge=133.322"},
		{"g", `{"p":1000,"b":19}`, "gauge=suspect(battery-low)133.322"},
		{"g", `{"p":1000,"b":21}`, "gauge=133.322"},
		{"g", `{"p":1000,"b":"19 %"}`, "gauge=suspect(battery-low)133.322"},
		{"g", `{"p":1000,"b":true}`, "gauge=suspect(battery-low)133.322"},
		{"g", `{"p":1000,"b":3300}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":false}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":0}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":""}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":[]}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":"ok"}`, "gauge=133.322"},
		{"g", `{"p":1000,"f":3}`, "gauge=failed(fault)"},
		{"g", `{"p":1000,"f":true,"n":3}`, "gauge=failed(fault)#3"},
		{"g", `{"p":1000,"f":["x"]}`, "gauge=failed(fault)"},
		{"g", `{"p":1000,"f":"Sensor OPEN!"}`, "gauge=failed(sensor-open)"},
		{"g", `{"f":"Sensor OPEN!"}`, "gauge=failed(sensor-open)"},
		{"g", `{"p":null}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":{}}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":true}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":1e400}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":NaN}`, "gauge=failed(garbage)"},
		{"g", `{"p":-1}`, "gauge=failed(off-scale)"},
		{"g", `{"q":1}`, "gauge=failed(not-a-number)"},
		{"g", `{"p":10`, "gauge=failed(garbage)"},
		{"g", ``, "gauge=failed(garbage)"},
		{"g", `{"p":1000,"x":"` + strings.Repeat("x", longestSingle) + `"}`, "gauge=failed(oversize)"},
		{"two", `{"pipe":[4.5],"air/in":21}`, "pipe=4.5 air=21"},
		{"two", `{"pipe":[4.5]}`, "pipe=4.5"},
		{"two", `{"pipe":[null],"air/in":21}`, "pipe=failed(not-a-number) air=21"},
		{"two", `{}`, "pipe=failed(not-a-number) air=failed(not-a-number)"},
		{"two", `{"pipe":[4.5],`, "pipe=failed(garbage) air=failed(garbage)"},
		{"w", `{"on":true}`, "power=1"},
		{"w", `{"on":"OFF"}`, "power=0"},
		{"w", `{"on":1}`, "power=1"},
		{"whole", `21.5`, "whole=21.5"},
		{"clock", `{"v":1,"t":86400}`, "clock=1@86400000"},
		{"clock", `{"v":1,"t":"2025-11-24T22:00:00Z"}`, "clock=suspect(time-off)1"},
	} {
		if got := read(ts, message{topic: c.topic, payload: []byte(c.payload)}); got != c.want {
			t.Errorf("%.60s: %s, want %s", c.payload, got, c.want)
		}
	}
}

// Only what was surely measured now is good: the broker's copies are not.
func TestOldMessages(t *testing.T) {
	t.Parallel()
	ts := topics(t,
		point("timed", sensors.Temperature, "C", "topic", "timed", "value", "/v", "time", "/t"),
		point("bare", sensors.Temperature, "C", "topic", "bare"),
		point("pack", sensors.Temperature, "C", "topic", "pack", "format", "senml", "name", "x"),
	)
	now, own := `{"v":21}`, `{"v":21,"t":1764021000}`
	for _, c := range []struct {
		m    message
		want string
	}{
		{message{topic: "timed", payload: []byte(own)}, "timed=21@1764021000000"},
		{message{topic: "timed", payload: []byte(own), again: true}, "timed=21@1764021000000"},
		{message{topic: "timed", payload: []byte(own), queued: true}, "timed=21@1764021000000"},
		{message{topic: "timed", payload: []byte(own), retained: true}, "timed=suspect(retained)21@1764021000000"},
		{message{topic: "timed", payload: []byte(now), retained: true}, ""},
		{message{topic: "timed", payload: []byte(`{"v":21,"t":"?"}`), retained: true}, ""},
		{message{topic: "timed", payload: []byte(now), again: true}, "timed=suspect(redelivered)21"},
		{message{topic: "timed", payload: []byte(`{"v":21,"t":"?"}`), again: true}, "timed=suspect(redelivered)21"},
		{message{topic: "bare", payload: []byte("21")}, "bare=21"},
		{message{topic: "bare", payload: []byte("21"), retained: true}, ""},
		{message{topic: "bare", payload: []byte("?"), retained: true}, ""},
		{message{topic: "bare", payload: []byte("21"), again: true}, "bare=suspect(redelivered)21"},
		{message{topic: "bare", payload: []byte("21"), queued: true}, "bare=suspect(queued)21"},
		{message{topic: "pack", payload: []byte(`[{"n":"x","u":"Cel","v":21}]`)}, "pack=21"},
		{message{topic: "pack", payload: []byte(`[{"n":"x","u":"Cel","v":21,"t":-5}]`)}, "pack=21@1764021595000"},
		{message{topic: "pack", payload: []byte(`[{"n":"x","u":"Cel","v":21,"t":-5}]`), queued: true}, "pack=suspect(queued)21"},
		{message{topic: "pack", payload: []byte(`[{"n":"x","u":"Cel","v":21,"t":-5}]`), retained: true}, ""},
		{message{topic: "pack", payload: []byte(`[{"n":"x","u":"Cel","v":21,"t":1764021000}]`), retained: true}, "pack=suspect(retained)21@1764021000000"},
	} {
		if got := read(ts, c.m); got != c.want {
			t.Errorf("%+v: %s, want %s", c.m, got, c.want)
		}
	}
	counts := map[string]int{}
	for _, p := range []string{"?", "NaN", "1 kg", "-400", strings.Repeat("1", longestSingle+1)} {
		ts["bare"].readings(nil, message{topic: "bare", payload: []byte(p)}, epoch, func(w string) { counts[w]++ })
	}
	if want := map[string]int{"garbage": 1, "not-a-number": 1, "wrong-unit": 1, "off-scale": 1, "oversize": 1}; !reflect.DeepEqual(counts, want) {
		t.Errorf("counted %v, want %v", counts, want)
	}
	ts["bare"].readings(nil, message{topic: "bare", payload: []byte("21"), retained: true}, epoch, func(w string) { counts[w]++ })
	if counts["retained-without-time"] != 1 {
		t.Errorf("counted %v", counts)
	}
}

func TestAvailabilityAndBattery(t *testing.T) {
	t.Parallel()
	ts := topics(t,
		point("a", sensors.Temperature, "C", "topic", "a", "battery_topic", "bat", "availability", node("topic", "lwt")),
		point("b", sensors.Temperature, "C", "topic", "b", "availability", node("topic", "lwt", "value", "/state", "offline", "gone")),
	)
	for _, c := range []struct{ topic, payload, want string }{
		{"lwt", "online", ""},
		{"lwt", " offline\n", "a=failed(offline)"},
		{"lwt", `{"state":"gone"}`, "b=failed(offline)"},
		{"lwt", `{"state":"here"}`, ""},
		{"lwt", ``, ""},
		{"a", "21", "a=21"},
		{"bat", "12 %", ""},
		{"a", "21", "a=suspect(battery-low)21"},
		{"bat", "nonsense", ""},
		{"a", "21", "a=suspect(battery-low)21"},
		{"bat", "95", ""},
		{"a", "21", "a=21"},
	} {
		m := message{topic: c.topic, payload: []byte(c.payload), retained: c.topic == "lwt"}
		if got := read(ts, m); got != c.want {
			t.Errorf("%s %s: %s, want %s", c.topic, c.payload, got, c.want)
		}
	}
}

// The examples that RFC 8428 publishes, resolved as it publishes them.
func TestSenMLExamples(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/senml/*.resolved.json")
	if err != nil || len(files) != 10 {
		t.Fatal(files, err)
	}
	received := time.Unix(1498780179, 0) // when the RFC's authors resolved theirs
	for _, file := range files {
		sent, err := os.ReadFile(strings.Replace(file, ".resolved", "", 1))
		if err != nil {
			t.Fatal(err)
		}
		var want []struct {
			N, U string
			T, V float64
		}
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(b, &want); err != nil {
			t.Fatal(file, err)
		}
		got, err := resolve(sent, received)
		if err != nil || len(got) != len(want) {
			t.Errorf("%s: %v, %v", file, got, err)
			continue
		}
		for i, w := range want {
			g := got[i]
			if g.name != w.N || g.unit != w.U || g.ms != int64(math.Round(w.T*1e3)) || g.value != w.V {
				t.Errorf("%s: record %d is %+v, want %+v", file, i, g, w)
			}
		}
	}
}

// The published examples that have no resolved form of their own.
func TestSenMLOtherExamples(t *testing.T) {
	t.Parallel()
	open := func(name string) []record {
		b, err := os.ReadFile("testdata/senml/" + name)
		if err != nil {
			t.Fatal(err)
		}
		rs, err := resolve(b, epoch)
		if err != nil {
			t.Fatal(name, err)
		}
		return rs
	}
	var kinds []string
	for _, r := range open("ex7.json") {
		kinds = append(kinds, fmt.Sprintf("%s %c %g", strings.TrimPrefix(r.name, "urn:dev:ow:10e2073a01080063:"), r.kind, r.value))
	}
	if want := []string{"temp v 23.1", "label s 0", "open b 0", "nfv-reader d 0"}; !reflect.DeepEqual(kinds, want) {
		t.Errorf("example 7: %q, want %q", kinds, want)
	}
	if rs := open("ex13.json"); len(rs) != 4 || rs[0].ms != 1320078429000 || rs[3].ms != 1320078429100 || rs[3].name != "2001:db8::4" || rs[3].unit != "/" {
		t.Errorf("example 13: %+v", rs)
	}
}

func TestSenMLRules(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		why, pack string
		ok        bool
	}{
		{"an unknown field is skipped", `[{"n":"a","v":1,"extra":{"x":[1]}}]`, true},
		{"a field ending in _ must be understood (section 4.4)", `[{"n":"a","v":1,"extra_":1}]`, false},
		{"a later version must not be used (section 4.4)", `[{"bver":11,"n":"a","v":1}]`, false},
		{"version 10 is the standard's", `[{"bver":10,"n":"a","v":1}]`, true},
		{"one version in a pack", `[{"bver":10,"n":"a","v":1},{"bver":5,"n":"b","v":1}]`, false},
		{"a version is a whole number", `[{"bver":9.5,"n":"a","v":1}]`, false},
		{"a name starts with a letter or digit (section 4.5.1)", `[{"n":"_a","v":1}]`, false},
		{"a name has no blanks", `[{"n":"a b","v":1}]`, false},
		{"a record needs a name", `[{"v":1}]`, false},
		{"a record has one value", `[{"n":"a","v":1,"vb":true}]`, false},
		{"a value is a number", `[{"n":"a","v":"1"}]`, false},
		{"a pack is an array", `{"n":"a","v":1}`, false},
		{"of objects", `[1]`, false},
		{"an empty pack says nothing", `[]`, true},
		{"cut off", `[{"n":"a","v":1}`, false},
		{"no infinite base time", `[{"bt":1e999,"n":"a","v":1}]`, false},
	} {
		if _, err := resolve([]byte(c.pack), epoch); (err == nil) != c.ok {
			t.Errorf("%s: %s gives %v", c.why, c.pack, err)
		}
	}
	rs, err := resolve([]byte(`[{"bn":"d:","bv":10,"bs":100,"n":"a","v":1.5,"s":5},{"n":"b","v":2}]`), epoch)
	if err != nil || len(rs) != 2 || rs[0].value != 11.5 || rs[0].sum != 105 || rs[1].value != 12 {
		t.Errorf("base value and base sum: %+v %v", rs, err)
	}
	// Times below 2**28 are relative (section 4.5.3).
	rs, err = resolve([]byte(`[{"n":"a","v":1,"t":268435455},{"n":"a","v":1,"t":268435456}]`), epoch)
	if err != nil || rs[0].ms != (1764021600+268435455)*1000 || rs[1].ms != 268435456000 {
		t.Errorf("relative times: %+v %v", rs, err)
	}
}

func TestSenMLPoints(t *testing.T) {
	t.Parallel()
	ts := topics(t,
		point("t", sensors.Temperature, "C", "topic", "p", "format", "senml", "name", "d:t", "battery", "d:bat"),
		point("rh", sensors.Humidity, "%", "topic", "p", "format", "senml", "name", "d:rh"),
		point("door", sensors.Contact, "", "topic", "p", "format", "senml", "name", "d:door"),
	)
	for _, c := range []struct{ pack, want string }{
		{`[{"bn":"d:","n":"t","u":"Cel","v":21},{"n":"rh","u":"%RH","v":45},{"n":"door","vb":true}]`, "t=21 rh=0.45 door=1"},
		{`[{"bn":"d:","n":"t","u":"K","v":300}]`, "t=26.85"},
		{`[{"bn":"d:","n":"rh","u":"/","v":0.45}]`, "rh=0.45"},
		{`[{"bn":"d:","n":"t","u":"Cel","v":21},{"n":"bat","u":"%EL","v":10}]`, "t=suspect(battery-low)21"},
		{`[{"bn":"d:","n":"rh","u":"%RH","v":45},{"n":"rh","u":"%EL","v":10},{"n":"rh","u":"lon","v":9}]`, "rh=suspect(battery-low)0.45"},
		{`[{"bn":"d:","n":"rh","u":"lon","v":45}]`, "rh=failed(wrong-unit)"},
		{`[{"bn":"d:","n":"t","vs":"warm"}]`, "t=failed(not-a-number)"},
		{`[{"bn":"d:","n":"t","vb":true}]`, "t=failed(not-a-number)"},
		{`[{"bn":"d:","n":"t","s":5}]`, "t=failed(not-a-number)"},
		{`[{"bn":"d:","bu":"Cel","bt":1764021000,"n":"t","v":21},{"n":"t","v":22,"t":1}]`, "t=21@1764021000000 t=22@1764021001000"},
		{`[{"n":"other","v":1}]`, ""},
		{`nonsense`, "t=failed(garbage) rh=failed(garbage) door=failed(garbage)"},
		{`[` + strings.Repeat(" ", longestPack) + `]`, "t=failed(oversize) rh=failed(oversize) door=failed(oversize)"},
	} {
		if got := read(ts, message{topic: "p", payload: []byte(c.pack)}); got != c.want {
			t.Errorf("%.80s: %s, want %s", c.pack, got, c.want)
		}
	}
}

// Whatever arrives, readings come out sound: a value or a reason, never both.
func FuzzPayload(f *testing.F) {
	for _, s := range []string{"12.3 C", `{"v":1,"t":"2025-11-24T22:00:00Z","f":"x","b":1,"n":1,"u":"C"}`, `[{"bn":"d:","n":"t","u":"Cel","v":21,"t":-5}]`, `[{"n":"t","s":1}]`, "", "\x00", `{"v":"1"}`} {
		f.Add([]byte(s), false)
	}
	f.Add([]byte(`{"t":"1","f":1}`), true)
	f.Fuzz(func(t *testing.T, payload []byte, retained bool) {
		ts := topics(t,
			point("plain", sensors.Temperature, "C", "topic", "x"),
			point("json", sensors.Vacuum, "micron", "topic", "x", "value", "/v", "time", "/t", "fault", "/f", "battery", "/b", "seq", "/n", "unit", "/u"),
			point("senml", sensors.Temperature, "C", "topic", "x", "format", "senml", "name", "d:t"),
		)
		for _, r := range ts["x"].readings(nil, message{topic: "x", payload: payload, retained: retained}, epoch, func(string) {}) {
			bad := r.Health.Grade == sensors.Failed && r.Value != 0 || (r.Health.Grade == sensors.Good) != (r.Health.Reason == "") ||
				math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Own < 0 || retained && (r.Own == 0 || r.Health.Live())
			if bad {
				t.Fatalf("%q: %+v", payload, r)
			}
		}
	})
}

func TestSettingsFaults(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		why string
		p   sensors.Point
		b   sensors.Node
	}{
		{"no topic", point("a", sensors.Mass, "kg"), node("url", "tcp://h:1")},
		{"wildcard", point("a", sensors.Mass, "kg", "topic", "plant/+"), node("url", "tcp://h:1")},
		{"wildcard", point("a", sensors.Mass, "kg", "topic", "plant/#"), node("url", "tcp://h:1")},
		{"broker topic", point("a", sensors.Mass, "kg", "topic", "$SYS/x"), node("url", "tcp://h:1")},
		{"no pointer", point("a", sensors.Mass, "kg", "topic", "t", "value", "v"), node("url", "tcp://h:1")},
		{"pointer of a plain number", point("a", sensors.Mass, "kg", "topic", "t", "time", "/t"), node("url", "tcp://h:1")},
		{"no name", point("a", sensors.Mass, "kg", "topic", "t", "format", "senml"), node("url", "tcp://h:1")},
		{"a name that SenML forbids", point("a", sensors.Mass, "kg", "topic", "t", "format", "senml", "name", "q/größe"), node("url", "tcp://h:1")},
		{"a battery's name that SenML forbids", point("a", sensors.Mass, "kg", "topic", "t", "format", "senml", "name", "q/a", "battery", "/battery"), node("url", "tcp://h:1")},
		{"unknown key", point("a", sensors.Mass, "kg", "topic", "t", "toppic", "t"), node("url", "tcp://h:1")},
		{"threshold", point("a", sensors.Mass, "kg", "topic", "t", "battery_low", "20"), node("url", "tcp://h:1")},
		{"no address", point("a", sensors.Mass, "kg", "topic", "t"), node()},
		{"scheme", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "http://h:1")},
		{"password in the address", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "tcp://u:p@h:1")},
		{"both", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "tcp://h:1", "embedded", node())},
		{"ca without tls", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "tcp://h:1", "ca_file", "ca.pem")},
		{"cert without key", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "tls://h:1", "client_cert_file", "c.pem")},
		{"password without user", point("a", sensors.Mass, "kg", "topic", "t"), node("url", "tls://h:1", "password", "x")},
	} {
		_, err := newSource(sensors.Env{}, sensors.Config{Name: "b", Device: c.b, Points: []sensors.Point{c.p}})
		var f sensors.Fault
		if !errors.As(err, &f) || f.Line == 0 {
			t.Errorf("%s: %v", c.why, err)
		}
	}
	for _, b := range []sensors.Node{node("url", "mqtts://h"), node("url", "mqtt://h"), node("url", "tls://[::1]"), node("embedded", node())} {
		if _, err := newSource(sensors.Env{}, sensors.Config{Name: "b", Device: b, Points: []sensors.Point{point("a", sensors.Mass, "kg", "topic", "t")}}); err != nil {
			t.Error(err)
		}
	}
}

// A pack of a hundred readings: of one point over time, and of a hundred points.
func BenchmarkPack(b *testing.B) {
	series, many := `[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1764021600,"bu":"Cel","n":"p0","v":21.5}`, `[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1764021600,"bu":"Cel","n":"p0","v":21.5}`
	var points []sensors.Point
	for i := range 100 {
		points = append(points, point(fmt.Sprint("p", i), sensors.Temperature, "C", "topic", "x", "format", "senml", "name", fmt.Sprint("urn:dev:mac:0024befffe804ff1:p", i)))
		if i > 0 {
			series += fmt.Sprintf(`,{"n":"p0","t":%d,"v":%g}`, i, 21.5+float64(i)/100)
			many += fmt.Sprintf(`,{"n":"p%d","v":%g}`, i, 21.5+float64(i)/100)
		}
	}
	for _, c := range []struct {
		name, pack string
		points     []sensors.Point
	}{{"series", series + "]", points[:1]}, {"many", many + "]", points}} {
		b.Run(c.name, func(b *testing.B) {
			var faults []error
			var feeds []*feed
			for _, p := range c.points {
				feeds = append(feeds, readFeed(p, &faults))
			}
			d := dispatches(feeds)["x"]
			b.ReportAllocs()
			for b.Loop() {
				if rs := d.readings(nil, message{payload: []byte(c.pack)}, epoch, func(string) {}); len(rs) != 100 {
					b.Fatal(len(rs), faults)
				}
			}
			b.ReportMetric(100*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
