package exchange

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"standwatch/daemon/config"
	"standwatch/rules"
)

var update = flag.Bool("update", false, "write the previews of testdata/import anew; read what it wrote")

const lists = "../../testdata/import"

// answers are what who imports a list of testdata/import says of it.
var answers = map[string]Options{
	"no-unit-answered.csv":    {LengthUnit: "ft"},
	"no-headings-named.csv":   {Columns: []Named{{"run", "#1"}, {"line", "#2"}, {"outside_diameter", "#3"}, {"length", "#4"}}},
	"other-name-told.csv":     {Columns: []Named{{"length", "Aufmass (m)"}}},
	"bad-rows-left-out.csv":   {LeaveOut: []int{3, 4, 5, 6, 7, 8, 10, 11, 12, 13, 14, 15, 16}},
	"thousands-answered.csv":  {Decimal: "comma"},
	"no-line-kind-told.csv":   {Line: "liquid"},
	"two-lengths-settled.csv": {Columns: []Named{{"length", "#4"}}},
	"mm-or-inch-told.csv":     {DiameterUnit: "in"},
}

func listFiles(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(lists, "*"))
	if err != nil {
		t.Fatal(err)
	}
	files = slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, ".preview") })
	if len(files) < 25 {
		t.Fatalf("%d lists in %s", len(files), lists)
	}
	return files
}

func kindOf(file string) string {
	if strings.HasPrefix(filepath.Base(file), "units") {
		return Units
	}
	return TakeOff
}

func read(t *testing.T, file string) Preview {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Base(file)
	p, err := Read(name, data, kindOf(file), answers[name])
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What each invented list is read as stands beside it, to be read by people.
func TestListsAreReadAsTheirPreviewsSay(t *testing.T) {
	for name := range answers {
		if _, err := os.Stat(filepath.Join(lists, name)); err != nil {
			t.Errorf("answers to a list that is not there: %v", err)
		}
	}
	for _, file := range listFiles(t) {
		p := read(t, file)
		var b bytes.Buffer
		if err := p.Write(&b, rules.System{Refrigerant: "R-410A"}); err != nil {
			t.Fatal(err)
		}
		b.WriteString("\n")
		switch {
		case !p.Complete():
			b.WriteString("Not complete: nothing is written.\n")
		case p.Kind == Units:
			if err := p.WriteUnits(&b); err != nil {
				t.Fatal(err)
			}
		default:
			if err := p.WriteTakeoff(&b); err != nil {
				t.Fatal(err)
			}
		}
		golden := file + ".preview"
		if *update {
			if err := os.WriteFile(golden, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Errorf("%s is read as\n%s\nand %s says\n%s", file, b.Bytes(), golden, want)
		}
	}
}

// One take-off, as ten people would write it, comes to one charge. The figure is
// from shared tables: litres a metre of ASTM B280 tube (testdata/reference/copper_tube_b280.csv).
func TestOneTakeoffInTenSpellings(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(lists, "same*"))
	files = slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, ".preview") })
	if err != nil || len(files) != 10 {
		t.Fatalf("%d spellings, %v", len(files), err)
	}
	wantLiquidL := 22*0.2343015383 + 9*0.1560785712 + 10.5*0.04900925409
	wantGasL := 22*0.5323595452 + 9*0.3122458163 + 10.5*0.1560785712
	for _, file := range files {
		p := read(t, file)
		if !p.Complete() {
			t.Errorf("%s: not complete: %v %v", file, p.Faults(), p.Questions)
			continue
		}
		var b bytes.Buffer
		if err := p.WriteTakeoff(&b); err != nil {
			t.Fatal(err)
		}
		runs, faults := config.ReadTakeoff(&b, "takeoff.csv")
		if len(faults) > 0 {
			t.Errorf("%s: what was written is no take-off: %v", file, faults)
			continue
		}
		sum, err := rules.System{Refrigerant: "R-410A"}.Pipework(runs).Sum()
		if err != nil {
			t.Fatal(err)
		}
		if got := sum.LiquidM3 * 1e3; math.Abs(got/wantLiquidL-1) > 1e-5 {
			t.Errorf("%s: liquid lines hold %.6f l, want %.6f", file, got, wantLiquidL)
		}
		if got := (sum.TotalM3 - sum.LiquidM3) * 1e3; math.Abs(got/wantGasL-1) > 1e-5 {
			t.Errorf("%s: gas lines hold %.6f l, want %.6f", file, got, wantGasL)
		}
	}
}

// What is written for the site file is one.
func TestUnitsAreASiteFiles(t *testing.T) {
	for _, file := range listFiles(t) {
		p := read(t, file)
		if p.Kind != Units || !p.Complete() {
			continue
		}
		var b bytes.Buffer
		if err := p.WriteUnits(&b); err != nil {
			t.Fatal(err)
		}
		site := "site: {name: Quayside Library, timezone: Europe/Lisbon}\nsystem:\n  refrigerant: R-410A\n  " +
			strings.ReplaceAll(strings.TrimSpace(b.String()), "\n", "\n  ") + "\npoints: []\n"
		name := filepath.Join(t.TempDir(), "site.yaml")
		if err := os.WriteFile(name, []byte(site), 0o644); err != nil {
			t.Fatal(err)
		}
		s, faults := config.Load(name, nil)
		if len(faults) > 0 {
			t.Errorf("%s: %v\n%s", file, faults, site)
			continue
		}
		indoor := 0
		for _, u := range p.AllUnits() {
			if u.Kind != rules.KindIndoor {
				continue
			}
			got := s.Systems[0].Units[indoor]
			if got.Name != u.Name || got.Room != u.Room || got.Branch != u.Branch || got.Port != u.Port || math.Abs(got.RoomM3-u.RoomM3) > 1e-6 {
				t.Errorf("%s: %+v became %+v", file, u, got)
			}
			indoor++
		}
		if texts := p.Against(s.Systems[0]); len(texts) > 0 {
			t.Errorf("%s: against its own site file: %q", file, texts)
		}
	}
}

func TestNoLists(t *testing.T) {
	for name, c := range map[string]struct {
		data []byte
		o    Options
		says string
	}{
		"a spreadsheet":     {[]byte("PK\x03\x04abc[Content_Types].xml"), Options{}, "save the sheet as CSV"},
		"an older one":      {[]byte("\xd0\xcf\x11\xe0abc"), Options{}, "save the sheet as CSV"},
		"an open one":       {[]byte("PK\x03\x04mimetypeapplication/vnd.oasis.opendocument.spreadsheet"), Options{}, "save the sheet as CSV"},
		"packed":            {[]byte("PK\x03\x04abc"), Options{}, "unpack it"},
		"a PDF":             {[]byte("%PDF-1.7"), Options{}, "PDF"},
		"a photo":           {[]byte("\xff\xd8\xff\xe0abc"), Options{}, "a picture"},
		"a phone's photo":   {[]byte("\x00\x00\x00\x18ftypheic...."), Options{}, "a picture"},
		"a page":            {[]byte("\r\n<HTML><table>"), Options{}, "open it in a spreadsheet"},
		"a letter":          {[]byte("{\\rtf1"), Options{}, "word processor"},
		"no text":           {[]byte("\x01\x02\x03run,line\xe9"), Options{}, "bytes of no text"},
		"noughts":           {[]byte("run,line\x00,size"), Options{}, "bytes of no text"},
		"much too large":    {bytes.Repeat([]byte("a,b\n"), 300000), Options{}, "1 MB"},
		"too many lines":    {bytes.Repeat([]byte("\n"), mostLines+1), Options{}, "more than"},
		"no unit of length": {nil, Options{LengthUnit: "furlong"}, "--length-unit"},
		"a pressure":        {nil, Options{DiameterUnit: "psi"}, "--diameter-unit"},
		"no decimal mark":   {nil, Options{Decimal: "dot"}, "--decimal"},
		"no kind of line":   {nil, Options{Line: "drain"}, "--line"},
		"no column":         {nil, Options{Columns: []Named{{"lenght", "#1"}}}, "--columns"},
	} {
		if _, err := Read("x.csv", c.data, TakeOff, c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestWordsAreInOrder(t *testing.T) {
	v, err := readVocabulary()
	if err != nil {
		t.Fatal(err)
	}
	known := append(append(slices.Clone(meaningsOf(TakeOff)), meaningsOf(Units)...), rules.RunLines...)
	known = append(append(known, "total", "none"), unitKinds...)
	for _, p := range v.all {
		if u, ok := strings.CutPrefix(p.meaning, "unit "); ok {
			if u == "m" || u == "ft" || u == "mm" || u == "in" || u == "cm" {
				if scaleOf(u) == 0 {
					t.Errorf("unit %s", u)
				}
			}
			continue
		}
		if !slices.Contains(known, p.meaning) || len(p.words) == 0 {
			t.Errorf("%q, %q", p.meaning, p.words)
		}
	}
}

func TestHeadings(t *testing.T) {
	v, err := readVocabulary()
	if err != nil {
		t.Fatal(err)
	}
	r := reader{v: v, kind: TakeOff, p: &Preview{}}
	for heading, want := range map[string]Column{
		"Length (ft)":                {Meaning: "length", Unit: "ft"},
		"Länge [m]":                  {Meaning: "length", Unit: "m"},
		"Leitungslänge in Metern":    {Meaning: "length"},
		"length_m":                   {Meaning: "length", Unit: "m"},
		"OD, mm":                     {Meaning: "outside_diameter", Unit: "mm"},
		"Ø (\")":                     {Meaning: "outside_diameter", Unit: "in"},
		"Pipe size/in":               {Meaning: "outside_diameter", Unit: "in"},
		"Liquid line length (m)":     {Meaning: "length", Line: "liquid", Unit: "m"},
		"Flüssigkeitsleitung Ø":      {Meaning: "outside_diameter", Line: "liquid"},
		"Diamètre gaz (mm)":          {Meaning: "outside_diameter", Line: "suction", Unit: "mm"},
		"HP gas OD":                  {Meaning: "outside_diameter", Line: "hot-gas"},
		"Comprimento da linha (m)":   {Meaning: "length", Unit: "m"},
		"Innendurchmesser (mm)":      {Meaning: "bore", Unit: "mm"},
		"Wandstärke mm":              {Meaning: "wall", Unit: "mm"},
		"Charge factor (kg/m)":       {Meaning: "factor", Unit: "kg/m"},
		"Remarks on length":          {Meaning: "note"},
		"Weather":                    {},
		"Longitud equivalente (m)":   {Meaning: "equivalent", Unit: "m"},
		"Line":                       {Meaning: "line"},
		"Pipe run":                   {Meaning: "run"},
		"Run ft":                     {Meaning: "length", Unit: "ft"},
		"Section (m)":                {Meaning: "length", Unit: "m"},
		"Gas (m)":                    {Line: "suction", Unit: "m"},
		"Lunghezza linea liquido, m": {Meaning: "length", Line: "liquid", Unit: "m"},
	} {
		c := r.column(0, heading)
		if c.Meaning != want.Meaning || c.Line != want.Line || c.Unit != want.Unit {
			t.Errorf("%q: %q of %q in %q; want %q of %q in %q", heading, c.Meaning, c.Line, c.Unit, want.Meaning, want.Line, want.Unit)
		}
	}
}

// accounted checks that every line of a list stands in the preview once, and
// that what is not understood says why.
func accounted(t *testing.T, data []byte, kind string, o Options) {
	t.Helper()
	p, err := Read("x.csv", data, kind, o)
	if err != nil {
		return // named as no list
	}
	text, _, err := decode(data)
	if err != nil {
		t.Fatal(err)
	}
	text = lineBreaks(text)
	want := strings.Count(text, "\n")
	if text != "" && !strings.HasSuffix(text, "\n") {
		want++
	}
	next := 1
	for _, l := range p.Lines {
		if l.From != next || l.To < l.From || l.State == "" {
			t.Fatalf("line %d to %d (%q) after %d", l.From, l.To, l.State, next-1)
		}
		next = l.To + 1
		if l.State == NotUnderstood && len(l.Faults) == 0 {
			t.Fatalf("line %d is not understood, and nobody says why", l.From)
		}
		if l.State == Waits && len(p.Questions) == 0 {
			t.Fatalf("line %d waits, and nothing is asked", l.From)
		}
		if l.State == Understood && len(l.Runs)+len(l.Units) == 0 {
			t.Fatalf("line %d is understood as nothing", l.From)
		}
		for _, r := range l.Runs {
			if _, faults := asWritten(r); len(faults) > 0 {
				t.Fatalf("line %d: %v", l.From, faults)
			}
		}
	}
	if next != want+1 {
		t.Fatalf("%d of %d lines", next-1, want)
	}
	var out bytes.Buffer
	if err := p.Write(&out, rules.System{}); err != nil || !utf8.Valid(out.Bytes()) {
		t.Fatalf("the preview: %v", err)
	}
	if b, err := p.JSON(rules.System{}); err != nil || !json.Valid(b) {
		t.Fatalf("the preview as JSON: %v", err)
	}
}

func FuzzEveryLineIsAccountedFor(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(lists, "*"))
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range slices.DeleteFunc(files, func(f string) bool { return strings.HasSuffix(f, ".preview") }) {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data, kindOf(file) == Units)
		for cut := 1; cut < len(data); cut += 97 { // lists that break off
			f.Add(data[:cut], kindOf(file) == Units)
		}
	}
	f.Add([]byte("\"\n\"\n\n\r\r\n;;;\n"), false)
	f.Fuzz(func(t *testing.T, data []byte, units bool) {
		kind := TakeOff
		if units {
			kind = Units
		}
		accounted(t, data, kind, Options{})
		accounted(t, data, kind, Options{LengthUnit: "m", DiameterUnit: "mm", Decimal: "point", Line: "liquid",
			Columns: []Named{{map[string]string{TakeOff: "run", Units: "name"}[kind], "#1"}}})
	})
}

func TestCountsOfOneLineAndOfNone(t *testing.T) {
	for list, want := range map[string]string{"": "no line", "run,line,outside_diameter,length\n": "1 line: 1 heading"} {
		p, err := Read("x.csv", []byte(list), TakeOff, Options{})
		if err != nil || p.Counts() != want {
			t.Errorf("%q: %q, %v; want %q", list, p.Counts(), err, want)
		}
	}
}

// Which of two columns is the kind of line its cells tell, wherever it stands.
func TestTheKindOfLineIsWhereItsCellsAre(t *testing.T) {
	const rows = ";9,52;12,5\n"
	for _, c := range []struct{ text, run, line string }{
		{"Leitung;Art;Durchmesser mm;L\u00e4nge m\nL;FL" + rows + "A-B;SG" + rows, "A-B", "suction"}, // a run may be called L
		{"Art;Leitung;Durchmesser mm;L\u00e4nge m\nKupfer;FL" + rows + "Kupfer;SG" + rows, "row 3", "suction"},
		{"Art;Leitung;Durchmesser mm;L\u00e4nge m\nFL;A-B" + rows + "SG;B-C" + rows, "B-C", "suction"},
	} {
		p, err := Read("list.csv", []byte(c.text), TakeOff, Options{})
		if err != nil || len(p.Runs()) != 2 {
			t.Errorf("%s\nis %d runs, %v; %v", c.text, len(p.Runs()), err, p.Faults())
			continue
		}
		if r := p.Runs()[1]; r.Name != c.run || r.Line != c.line {
			t.Errorf("%s\nhas %s of %s", c.text, r.Line, r.Name)
		}
	}
}
