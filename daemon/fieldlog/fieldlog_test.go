package fieldlog

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

func site() rules.Site {
	return rules.Site{
		Name:    "Quayside Library",
		Systems: []rules.System{{Units: []rules.Unit{{Name: "iu01"}, {Name: "iu02"}}}},
		Points: []sensors.Point{
			{Name: "gauge", Quantity: sensors.Vacuum, Unit: "micron"},
			{Name: "scale", Quantity: sensors.Mass, Unit: "kg"},
			{Name: "ambient", Quantity: sensors.Temperature, Unit: "C"},
			{Name: "test-1", Quantity: sensors.Pressure, Unit: "psi"},
		},
	}
}

func quantity(point string) sensors.Quantity {
	for _, p := range site().Points {
		if p.Name == point {
			return p.Quantity
		}
	}
	return sensors.NoQuantity
}

func readAll(t testing.TB, text string, s rules.Site) ([]Row, []error) {
	t.Helper()
	var rows []Row
	var faults []error
	r := NewReader(strings.NewReader(text), "night.csv", s)
	for {
		row, err := r.Next()
		switch {
		case err == io.EOF:
			return rows, faults
		case err != nil:
			if !errors.As(err, new(sensors.Fault)) {
				t.Fatalf("%v is no fault", err)
			}
			faults = append(faults, err)
		default:
			rows = append(rows, row)
		}
	}
}

func write(t testing.TB, rows []Row) string {
	t.Helper()
	var b bytes.Buffer
	w := NewWriter(&b)
	for _, row := range rows {
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// replay turns rows into entries and these into rows again, by the walls of
// each boot as the entries' own anchors tell them.
func replay(rows []Row, s rules.Site) (entries []rules.Entry, out []Row) {
	p := NewReplay(s)
	offset := map[uint32]int64{}
	for _, row := range rows {
		entries = append(entries, p.Next(row)...)
	}
	for _, e := range entries {
		if c, ok := e.Body.(*rules.Clocked); ok {
			offset[e.At.Boot] = c.Wall - e.At.Since.Milliseconds()
		}
	}
	x := NewExport(quantity, func(at rules.Instant) (int64, bool) {
		o, ok := offset[at.Boot]
		return o + at.Since.Milliseconds(), ok
	})
	for _, e := range entries {
		if row, ok := x.Row(e); ok {
			out = append(out, row)
		}
	}
	return entries, out
}

func ms(s string) int64 {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t.UnixMilli()
}

func TestRowsInSI(t *testing.T) {
	const night = `time,kind,name,value,unit,note
2026-03-14T22:05:00Z,reading,gauge,500,,
2026-03-14T22:05:00+01:00,reading,gauge,66.7,Pa,
2026-03-14T22:05:01.2509Z,reading,scale,31.5,lb,battery-low
2026-03-14t22:05:02z,reading,ambient,,,open-circuit
2026-03-14T22:05:02Z,reading,ambient,,,
2026-03-14T22:05:02Z,reading,ambient,5000,,
2026-03-14T22:05:03Z,begin,vacuum-hold,,,
2026-03-14T22:05:03Z,command,iu02,,,heat
2026-03-14T22:05:04Z,mark,cylinder-weight,24,lb,"A, ""full"""
2026-03-14T22:05:04Z,mark,torch-lit,3,glow,
2026-03-14T22:05:04Z,mark,counted,12,,
2026-03-14T22:05:05Z,mark,setting,30,psig,
2026-03-14T22:05:06Z,reading,scale,-0.0000001,,

`
	rows, faults := readAll(t, night, site())
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	at := ms("2026-03-14T22:05:00Z")
	want := []Row{
		// 500 micron = 66.66 Pa: 101325/760/1000 Pa a micron, conventional
		{Time: at, Kind: Reading, Name: "gauge", Value: 66.661, HasValue: true, Unit: "Pa"},
		{Time: at - 3600e3, Kind: Reading, Name: "gauge", Value: 66.7, HasValue: true, Unit: "Pa"},
		// 1 lb = 0.45359237 kg, exact
		{Time: at + 1250, Kind: Reading, Name: "scale", Value: 14.28816, HasValue: true, Unit: "kg", Note: "battery-low"},
		{Time: at + 2000, Kind: Reading, Name: "ambient", Note: "open-circuit"},
		{Time: at + 2000, Kind: Reading, Name: "ambient", Note: "no-value"},
		{Time: at + 2000, Kind: Reading, Name: "ambient", Note: "off-scale"},
		{Time: at + 3000, Kind: Begin, Name: "vacuum-hold"},
		{Time: at + 3000, Kind: Command, Name: "iu02", Note: "heat"},
		{Time: at + 4000, Kind: Mark, Name: "cylinder-weight", Value: 10.88621688, HasValue: true, Unit: "kg", Note: `A, "full"`},
		{Time: at + 4000, Kind: Mark, Name: "torch-lit", Value: 3, HasValue: true, Unit: "glow"},
		{Time: at + 4000, Kind: Mark, Name: "counted", Value: 12, HasValue: true, Unit: "1"},
		{Time: at + 5000, Kind: Mark, Name: "setting", Value: 206842.718795, HasValue: true, Unit: "Pag"},
		{Time: at + 6000, Kind: Reading, Name: "scale", Value: 0, HasValue: true, Unit: "kg"},
	}
	for i := range want {
		if i < len(rows) && !reflect.DeepEqual(rows[i], want[i]) {
			t.Errorf("row %d\n got %+v\nwant %+v", i+1, rows[i], want[i])
		}
	}
	if len(rows) != len(want) {
		t.Errorf("%d rows, want %d", len(rows), len(want))
	}
}

func TestFaultsNameThePlaceAndWhatIsRight(t *testing.T) {
	const head = "time,kind,name,value,unit,note\n"
	const now = "2026-03-14T22:05:00Z,"
	two := site()
	two.Systems = []rules.System{{Name: "north"}, {Name: "south"}}
	for _, c := range []struct {
		text  string
		site  rules.Site
		place string
		words []string
	}{
		{"", site(), "1:1", []string{"empty", "time,kind,name"}},
		{"\n\n", site(), "1:1", []string{"empty"}},
		{"time;kind;name\n", site(), "1:1", []string{"header", "time,kind,name,value,unit,note"}},
		{"time,name,kind,value,unit,note\n", site(), "1:1", []string{"header"}},
		{"\x1f\x8b\x08\x00\"", site(), "1:1", []string{"a compressed file", "gzip -d"}},
		{"PK\x03\x04\x14\x00", site(), "1:1", []string{"spreadsheet", "save the table as CSV"}},
		{head + "yesterday,reading,gauge,1,,\n", site(), "2:1", []string{"yesterday", "RFC 3339"}},
		{head + "2026-02-30T00:00:00Z,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + "2026-02-28T24:00:00Z,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + "2026-02-28T00:00:00,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + "2026-02-28T00:00:00.Z,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + "2026-02-28T00:00:00.12,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + "2026-02-28 00:00:00Z,reading,gauge,1,,\n", site(), "2:1", []string{"not a time"}},
		{head + now + "reading,gauge,1,,\n9999-12-31T23:59:59Z,reading,gauge,1,,\n", site(), "3:1", []string{"9999", "1970 to 2199"}},
		{head + "1969-12-31T23:59:59Z,reading,gauge,1,,\n", site(), "2:1", []string{"1969", "mend the year"}},
		{"time,kind,name,value,unit,note,known\n" + now + "mark,note,,,,2262-04-12T00:00:00Z\n", site(), "2:35", []string{"2262", "mend the year"}},
		{head + now + "reading,guage,1,,\n", site(), "2:30", []string{"guage", "did you mean gauge?"}},
		{head + now + "reading,gauge,NaN,,\n", site(), "2:36", []string{"NaN", "decimal"}},
		{head + now + "reading,gauge,1e999,,\n", site(), "2:36", []string{"1e999"}},
		{head + now + "reading,gauge,0x10,,\n", site(), "2:36", []string{"0x10"}},
		{head + now + "reading,gauge, 5,,\n", site(), "2:36", []string{`" 5"`}},
		{head + now + "reading,gauge,5,psig,\n", site(), "2:38", []string{"psig", "absolute"}},
		{head + now + "reading,test-1,5,psia,\n", site(), "2:39", []string{"psia", "gauge"}},
		{head + now + "reading,scale,5,C,\n", site(), "2:38", []string{"kg"}},
		{head + now + "raeding,gauge,5,,\n", site(), "2:22", []string{"raeding", "did you mean reading?"}},
		{head + now + "command,iu0,,,heat\n", site(), "2:30", []string{"iu0", "iu01"}},
		{head + now + "command,iu01,,,warm\n", site(), "2:37", []string{"warm", "heat"}},
		{head + now + "mark,,,,\n", site(), "2:27", []string{"name"}},
		{head + now + "mark,cylinder-weight,5,psi,\n", site(), "2:43", []string{"mass", "kg"}},
		{head + now + "mark,cylinder-weight,,,\n", site(), "2:43", []string{"mass"}},
		{head + now + "mark,note,1e308,psi,\n", site(), "2:32", []string{"more than a number can hold"}},
		{head + now + "mark,note,,kg,\n", site(), "2:33", []string{"unit without a value"}},
		{head + now + "begin,vacuum-hold,,,\n", two, "2:28", []string{"which system", "north, south"}},
		{head + now + "begin,noth/vacuum-hold,,,\n", two, "2:28", []string{"noth", "did you mean north?"}},
		{head + now + "reading,gauge,5\n", site(), "2:1", []string{"columns: 4 here, 6", "all of them"}},
		{head + now + "reading,gau", site(), "2:1", []string{"last row is cut off", "3 of its 6", "copied to its end"}},
		{head + now + "mark,note,,,\"two\nlines\"", site(), "", nil}, // whole, without a line end
		{head + now + "mark,note,,\"two\nlines\"", site(), "2:1", []string{"last row is cut off"}},
		{head + now + "mark,note,,,\"half", site(), "2:34", []string{"not closed", "cut off there"}},
		{head + now + "reading,gauge," + strings.Repeat("9", 70) + "x,,\n", site(), "2:36", []string{strings.Repeat("9", 60) + `..." is not`}},
		{"\xff\xfet\x00i\x00m\x00e\x00", site(), "1:1", []string{"UTF-16", "UTF-8"}},
		{strings.ReplaceAll(head+now+"reading,gauge,5,,\n", ",", ";"), site(), "1:1", []string{"semicolons", "commas"}},
		{"\"time,kind\",name,value,unit,note\n", site(), "1:1", []string{"header"}},
		{head + now + "mark,note,,,a,b\n", site(), "2:1", []string{"columns: 7 here, 6", "quote"}},
		{head + now + "mark,note,,,5/8\" pipe\n", site(), "2:37", []string{"quote"}},
		{head + now + "mark,note,,,\"5/8\" pipe\"\n", site(), "2:39", []string{"after the closing quote"}},
		{head + now + "mark,note,,,\"open\n\nmore", site(), "2:34", []string{"not closed"}},
		{head + now + "mark,note,,,\"two\nlines\"x\n", site(), "3:7", []string{"after the closing quote"}},
		{head + now + "mark,note,,,é\x00\n", site(), "2:35", []string{"NUL"}},
		{head + now + "mark,note,,,é\xff\n", site(), "2:35", []string{"0xFF", "UTF-8"}},
		{head + now + "mark,note,,,\"é\x00\"\n", site(), "2:36", []string{"NUL"}},
		{head + now + "mark,note,,," + strings.Repeat("x", longest) + "\n", site(), "2:1", []string{"1048576"}},
		{head + now + "mark,note,,,\"" + strings.Repeat("x\n", longest/2) + "\n", site(), "", []string{"1048576"}},
		{"time,kind,name,value,unit,note,known\n" + now + "mark,note,,,,soon\n", site(), "2:35", []string{"soon"}},
	} {
		_, faults := readAll(t, c.text, c.site)
		if taken := len(faults) == 0; taken || c.words == nil {
			if taken != (c.words == nil) {
				t.Errorf("%.80q: taken %v, faults %v", c.text, taken, faults)
			}
			continue
		}
		got := faults[0].Error()
		if !strings.HasPrefix(got, "night.csv:"+c.place) {
			t.Errorf("%.80q: %s, want the place %s", c.text, got, c.place)
		}
		for _, w := range c.words {
			if !strings.Contains(got, w) {
				t.Errorf("%.80q: %s says nothing of %q", c.text, got, w)
			}
		}
	}
}

// Programs that quote every value quote the header, too (RFC 4180, 2.5).
func TestQuotedHeader(t *testing.T) {
	const now = "2026-03-14T22:05:00Z"
	for _, text := range []string{
		`"time","kind","name","value","unit","note"` + "\r\n" + `"` + now + `","reading","gauge","5","",""` + "\r\n",
		"\ufeff" + `"time","kind","name","value","unit","note","known"` + "\n" + now + `,reading,gauge,5,,,"` + now + `"` + "\n",
	} {
		rows, faults := readAll(t, text, site())
		if len(faults) > 0 || len(rows) != 1 || rows[0].Name != "gauge" {
			t.Errorf("%q: rows %+v, faults %v", text, rows, faults)
		}
	}
}

func TestReadsOnAfterAFault(t *testing.T) {
	rows, faults := readAll(t, "\ufefftime,kind,name,value,unit,note\r\n2026-03-14T22:05:00Z,reading,gauge,x,,\r\n2026-03-14T22:05:00Z,mark,note,,,\"a\r\nb\"\r\n2026-03-14T22:05:00Z,reading,nothing,1,,\r\n2026-03-14T22:05:00Z,mark,note,,,last", site())
	if len(faults) != 2 || !strings.HasPrefix(faults[1].Error(), "night.csv:5:30: ") {
		t.Errorf("faults %v", faults)
	}
	if len(rows) != 2 || rows[0].Note != "a\r\nb" || rows[1].Note != "last" {
		t.Errorf("rows %+v", rows)
	}
}

func TestReplayKeepsTimeFromTurningBack(t *testing.T) {
	const night = `time,kind,name,value,unit,note,known
2026-03-14T22:00:00Z,reading,gauge,500,,,
2026-03-14T22:00:10Z,reading,gauge,501,,,
2026-03-14T22:00:05Z,reading,scale,9,,,
2026-03-14T22:00:05Z,reading,scale,8,,,2026-03-14T22:00:20Z
2026-03-14T22:00:35Z,reading,scale,7,,,2026-03-14T22:00:30Z
2026-03-14T22:10:00Z,mark,power-cut,,,,
2026-03-14T22:10:01Z,reading,scale,6,,,
2026-03-14T21:00:00Z,mark,power-cut,,,unproven,
2026-03-14T21:00:02Z,reading,scale,5,,,
`
	rows, faults := readAll(t, night, site())
	if faults != nil {
		t.Fatal(faults)
	}
	entries, _ := replay(rows, site())
	var got []string
	for i, e := range entries {
		if e.Seq != uint64(i+1) {
			t.Errorf("entry %d has number %d", i+1, e.Seq)
		}
		at := fmt.Sprintf("%d+%v", e.At.Boot, e.At.Since)
		switch b := e.Body.(type) {
		case *rules.Started:
			got = append(got, fmt.Sprintf("%s started %v %v", at, b.Gap, b.GapKnown))
		case *rules.Clocked:
			got = append(got, fmt.Sprintf("%s clock %s %s %v", at, time.UnixMilli(b.Wall).UTC().Format("15:04:05"), b.Source, b.Proven))
		case *rules.Measured:
			got = append(got, fmt.Sprintf("%s %s taken %v", at, b.Point, b.Taken))
		}
	}
	want := []string{
		"1+0s started 0s false", "1+0s clock 22:00:00 log true",
		"1+0s gauge taken 0s",
		"1+10s gauge taken 10s",
		"1+10s scale taken 5s", // late: known when the newest before it was
		"1+20s scale taken 5s",
		"1+30s scale taken 35s", // its clock is ahead of the box's
		"2+0s started 9m30s true", "2+0s clock 22:10:00 log true",
		"2+1s scale taken 1s",
		"3+0s started 0s false", "3+0s clock 21:00:00 log true",
		"3+2s scale taken 2s",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestExportOfALiveJournal(t *testing.T) {
	const wall0 = 1773525600000 // 2026-03-14T22:00:00Z, at boot 1
	at := func(boot uint32, s float64) rules.Instant {
		return rules.Instant{Boot: boot, Since: time.Duration(s * float64(time.Second))}
	}
	reading := func(v float64, h sensors.Health, own int64, taken float64) *rules.Measured {
		return &rules.Measured{Reading: sensors.Reading{Point: "gauge", Value: v, Health: h, Own: own}, Taken: time.Duration(taken * float64(time.Second))}
	}
	entries := []rules.Entry{
		{At: at(1, 0), Body: &rules.Started{}},
		{At: at(1, 0), Body: &rules.Clocked{Source: "system"}},
		{At: at(1, 1), Body: reading(66.661, sensors.Health{}, 0, 1)},
		{At: at(1, 2), Body: reading(0.001, sensors.Health{}, 0, 1.5)},
		{At: at(1, 3), Body: reading(0, sensors.Health{Grade: sensors.Failed, Reason: "crc"}, wall0+2500, 2.5)},
		{At: at(1, 4), Body: &rules.Clocked{Source: "synchronised", Proven: true}},
		{At: at(1, 5), Body: &rules.Told{Kind: "begin", Name: "vacuum-hold", System: "north"}},
		{At: at(1, 6), Body: &rules.Told{Kind: "mark", Name: "cylinder-weight", Value: 10.5, Unit: "kg", Note: "no 7, new"}},
		{At: at(1, 7), Body: &rules.Clocked{Source: "simulated"}},
		{At: at(2, 0), Body: &rules.Started{Gap: time.Minute, GapKnown: true}},
		{At: at(2, 0), Body: &rules.Clocked{Source: "synchronised"}},
		{At: at(3, 0), Body: &rules.Started{}},
		{At: at(3, 0), Body: &rules.Clocked{Source: "system"}},
	}
	x := NewExport(quantity, func(at rules.Instant) (int64, bool) {
		return wall0 + int64(at.Boot-1)*60000 + at.Since.Milliseconds(), at.Boot < 3
	})
	var rows []Row
	for _, e := range entries {
		if row, ok := x.Row(e); ok {
			rows = append(rows, row)
		}
	}
	const want = `time,kind,name,value,unit,note,known
2026-03-14T22:00:01.000Z,reading,gauge,66.661,Pa,,2026-03-14T22:00:01.000Z
2026-03-14T22:00:01.500Z,reading,gauge,0.001,Pa,,2026-03-14T22:00:02.000Z
2026-03-14T22:00:02.500Z,reading,gauge,,,crc,2026-03-14T22:00:03.000Z
2026-03-14T22:00:04.000Z,mark,clock-set,,,synchronised,2026-03-14T22:00:04.000Z
2026-03-14T22:00:05.000Z,begin,north/vacuum-hold,,,,2026-03-14T22:00:05.000Z
2026-03-14T22:00:06.000Z,mark,cylinder-weight,10.5,kg,"no 7, new",2026-03-14T22:00:06.000Z
2026-03-14T22:01:00.000Z,mark,power-cut,,,,2026-03-14T22:01:00.000Z
2026-03-14T22:01:00.000Z,mark,power-cut,,,unproven,2026-03-14T22:01:00.000Z
`
	if got := write(t, rows); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// randomLog writes a log as people and instruments might: odd offsets, late
// rows, power cuts, quotes and line ends inside notes.
func randomLog(r *rand.Rand) string {
	var b strings.Builder
	known := r.IntN(2) == 0
	b.WriteString(header)
	if known {
		b.WriteString(",known")
	}
	b.WriteString("\r\n"[r.IntN(2):])
	pick := func(s ...string) string { return s[r.IntN(len(s))] }
	now := time.Date(2026, 3, 14, 22, 0, 0, 0, time.UTC)
	stamp := func(t time.Time) string {
		zone := time.FixedZone("", pickInt(r, 0, 3600, -12600, 20700))
		return t.In(zone).Format(pick("2006-01-02T15:04:05Z07:00", "2006-01-02T15:04:05.0Z07:00", "2006-01-02T15:04:05.000000Z07:00"))
	}
	for range r.IntN(60) {
		now = now.Add(time.Duration(r.IntN(90_000)) * time.Millisecond)
		t := now.Add(time.Duration(pickInt(r, 0, 0, 0, -30_000, 5_000)) * time.Millisecond)
		note := pick("", "", "crc", "a, b", `5/8" pipe`, "two\nlines", "two\r\nlines", "ends\r", "é", " lead")
		value, unit := pick("", "5", "-0", "1e-3", "007.50", "123456.789012345678", "+3", ".5", "1e15"), ""
		var kind, name string
		switch r.IntN(8) {
		default:
			kind, name = "reading", pick("gauge", "scale", "ambient", "test-1")
			switch name {
			case "gauge":
				unit = pick("", "micron", "Pa", "mbar", "Torr")
			case "scale":
				unit = pick("", "kg", "lb", "oz", "g")
			case "ambient":
				unit = pick("", "C", "F", "K")
			case "test-1":
				unit = pick("", "psig", "bar", "MPag")
			}
		case 0:
			kind, name, value = pick("begin", "end"), pick("vacuum-hold", "weigh-in"), ""
		case 1:
			kind, name, value, note = "command", pick("iu01", "iu02"), "", pick("off", "fan", "cool", "heat")
		case 2:
			kind, name = "mark", pick("note", "counted", "clock-set", "torch-lit", "setting")
			if value != "" {
				unit = pick("", "kg", "F", "psig", "psia", "glow", "a,b", "min", "l/s", "K")
			}
		case 3:
			kind, name, value, note = "mark", "power-cut", "", pick("", "", "unproven", "breaker")
			if note == "unproven" {
				now = now.Add(time.Duration(r.IntN(7200)-3600) * time.Second)
				t = now
			}
		}
		fields := []string{stamp(t), kind, name, value, unit, note}
		if known {
			fields = append(fields, pick("", stamp(now)))
		}
		for i, f := range fields {
			if i > 0 {
				b.WriteByte(',')
			}
			if strings.ContainsAny(f, ",\"\r\n") || r.IntN(6) == 0 {
				f = `"` + strings.ReplaceAll(f, `"`, `""`) + `"`
			}
			b.WriteString(f)
		}
		b.WriteString("\r\n"[r.IntN(2):])
	}
	return b.String()
}

func pickInt(r *rand.Rand, of ...int) int { return of[r.IntN(len(of))] }

func TestRoundTripsAreExact(t *testing.T) {
	for seed := range uint64(600) {
		text := randomLog(rand.New(rand.NewPCG(seed, 7)))
		roundTrip(t, text, site())
		if t.Failed() {
			t.Fatalf("seed %d:\n%s", seed, text)
		}
	}
}

// roundTrip checks both promises: what was written is read and written again
// alike, and so is what went through a journal.
func roundTrip(t *testing.T, text string, s rules.Site) {
	t.Helper()
	rows, faults := readAll(t, text, s)
	if len(faults) > 0 {
		t.Errorf("not read: %v", faults)
		return
	}
	once := write(t, rows)
	again, faults := readAll(t, once, s)
	if len(faults) > 0 {
		t.Errorf("what was written cannot be read: %v", faults)
		return
	}
	if twice := write(t, again); twice != once {
		t.Errorf("written twice\n%s\n%s", once, twice)
	}
	_, out := replay(rows, s)
	first := write(t, out)
	again, faults = readAll(t, first, s)
	if len(faults) > 0 {
		t.Errorf("what was exported cannot be read: %v", faults)
		return
	}
	entries, out := replay(again, s)
	if second := write(t, out); second != first {
		t.Errorf("exported twice\n%s\n%s", first, second)
	}
	for i := 1; i < len(entries); i++ {
		if entries[i].At.Before(entries[i-1].At) {
			t.Errorf("entry %d goes back in time", i+1)
		}
	}
}

// The published grammar is RFC 4180; the standard library's reader stands for
// it: rows without faults must be cut into the same fields by both.
func TestCutsAsTheStandardLibraryDoes(t *testing.T) {
	for seed := range uint64(200) {
		text := randomLog(rand.New(rand.NewPCG(seed, 8)))
		text = strings.ReplaceAll(text, "ends\r", "ends") // the library drops it before a line end
		text = strings.ReplaceAll(text, "two\r\n", "two\n")
		std := csv.NewReader(strings.NewReader(text))
		records, err := std.ReadAll()
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		rows, faults := readAll(t, text, site())
		if len(faults) > 0 || len(rows) != len(records)-1 {
			t.Fatalf("seed %d: %d rows, want %d; %v", seed, len(rows), len(records)-1, faults)
		}
		for i, row := range rows {
			rec := records[i+1]
			if row.Kind != rec[1] || stepName(row.System, row.Name) != rec[2] || row.Kind != Reading && row.Note != rec[5] {
				t.Fatalf("seed %d row %d: %+v, want %q", seed, i+1, row, rec)
			}
		}
	}
}

func TestTimesAsTheStandardLibraryReadsThem(t *testing.T) {
	r := NewReader(nil, "", rules.Site{})
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		b := []byte(time.UnixMilli(rnd.Int64N(4e12) - 1e12).In(time.FixedZone("", 60*(rnd.IntN(2878)-1439))).Format(time.RFC3339Nano))
		if rnd.IntN(3) == 0 {
			b[rnd.IntN(len(b))] = "0123456789:-TZ+."[rnd.IntN(16)]
		}
		want, err := time.Parse(time.RFC3339Nano, string(b))
		if n := len(b); err == nil && b[n-3] == ':' && (two(b[n-5:]) > 23 || two(b[n-2:]) > 59) {
			continue // the library takes an offset of 24:60, RFC 3339 does not
		}
		got, ok := r.time(b)
		if ok != (err == nil) || ok && got != want.UnixMilli() {
			t.Fatalf("%s: %d %v, want %d (%v)", b, got, ok, want.UnixMilli(), err)
		}
	}
}

func TestJSONHasTheSameColumns(t *testing.T) {
	var b bytes.Buffer
	w := NewJSONWriter(&b)
	for _, row := range []Row{
		{Time: 1773525600000, Kind: Reading, Name: "gauge", Value: 66.661, HasValue: true, Unit: "Pa"},
		{Time: 1773525600000, Known: 1773525600250, HasKnown: true, Kind: Mark, Name: "note", Note: "a \"b\"\n"},
	} {
		if err := w.Write(row); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	const want = `{"time":"2026-03-14T22:00:00.000Z","kind":"reading","name":"gauge","value":66.661,"unit":"Pa","note":"","known":"2026-03-14T22:00:00.000Z"}
{"time":"2026-03-14T22:00:00.000Z","kind":"mark","name":"note","unit":"","note":"a \"b\"\n","known":"2026-03-14T22:00:00.250Z"}
`
	if b.String() != want {
		t.Errorf("got\n%s\nwant\n%s", b.String(), want)
	}
}

func TestWriterShowsWhatCannotBeReadBack(t *testing.T) {
	text := write(t, []Row{{Kind: Mark, Name: "note", Note: "a\x00b\xffc"}})
	rows, faults := readAll(t, text, site())
	if faults != nil || rows[0].Note != "a\uFFFDb\uFFFDc" {
		t.Errorf("%q: %v %v", text, rows, faults)
	}
}

func FuzzReader(f *testing.F) {
	f.Add("time,kind,name,value,unit,note\n2026-03-14T22:05:00Z,reading,gauge,500,,\n")
	f.Add("time,kind,name,value,unit,note,known\n2026-03-14T22:05:00Z,mark,note,5,\"a,\"\"b\",\"x\ny\",2026-03-14T22:05:00Z\n")
	f.Add("time,kind,name,value,unit,note\n2026-03-14T22:05:00Z,mark,power-cut,,,unproven\n2026-03-14T22:05:00Z,command,iu01,,,off\n")
	f.Add("\ufefftime,kind,name,value,unit,note\r\n\r\n\"")
	f.Add(randomLog(rand.New(rand.NewPCG(1, 1))))
	f.Fuzz(func(t *testing.T, text string) {
		if _, faults := readAll(t, text, site()); len(faults) == 0 {
			roundTrip(t, text, site())
		}
	})
}

func benchmarkLog(rows int) string {
	var b strings.Builder
	b.WriteString(header + "\n")
	t := time.Date(2026, 3, 14, 22, 0, 0, 0, time.UTC)
	for i := range rows {
		t = t.Add(125 * time.Millisecond)
		name := [...]string{"gauge", "scale", "ambient", "test-1"}[i%4]
		fmt.Fprintf(&b, "%s,reading,%s,%.3f,,\n", t.Format("2006-01-02T15:04:05.000Z"), name, 100+float64(i%1000)/7)
	}
	return b.String()
}

func BenchmarkReaderToEntries(b *testing.B) {
	const rows = 100_000
	text := benchmarkLog(rows)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		r, p := NewReader(strings.NewReader(text), "night.csv", site()), NewReplay(site())
		n := 0
		for {
			row, err := r.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			n += len(p.Next(row))
		}
		if n != rows+2 {
			b.Fatal(n)
		}
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkWriter(b *testing.B) {
	const rows = 100_000
	all, _ := readAll(b, benchmarkLog(rows), site())
	b.ReportAllocs()
	for b.Loop() {
		w := NewWriter(io.Discard)
		for _, row := range all {
			if err := w.Write(row); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}
