package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"html"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"standwatch/daemon/exchange"
	"standwatch/rules"
)

// send posts the import's form as a browser does, with a file where there is one.
func send(t *testing.T, h http.Handler, file string, data []byte, fields ...string) (*http.Response, string) {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for i := 0; i < len(fields); i += 2 {
		if err := w.WriteField(fields[i], fields[i+1]); err != nil {
			t.Fatal(err)
		}
	}
	part, err := w.CreateFormFile("list", file) // an empty one is what a browser sends where none was chosen
	if err != nil {
		t.Fatal(err)
	}
	_, _ = part.Write(data) // into memory
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("POST", "http://127.0.0.1:8090/import", &body)
	r.Header.Set("Content-Type", w.FormDataContentType())
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	out := httptest.NewRecorder()
	h.ServeHTTP(out, r)
	return out.Result(), out.Body.String()
}

func sentLists(t *testing.T) map[string][]byte {
	t.Helper()
	files, err := filepath.Glob("../../testdata/import/*")
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]byte{}
	for _, f := range files {
		if strings.HasSuffix(f, ".preview") {
			continue
		}
		if all[filepath.Base(f)], err = os.ReadFile(f); err != nil {
			t.Fatal(err)
		}
	}
	if len(all) < 25 {
		t.Fatalf("%d lists", len(all))
	}
	return all
}

func kindOfList(name string) string {
	if strings.HasPrefix(name, "units") {
		return exchange.Units
	}
	return exchange.TakeOff
}

var (
	shownLine  = regexp.MustCompile(`<li class="edge"><p><strong>Line (\d+)(?: to (\d+))?</strong>`)
	shownBlank = regexp.MustCompile(`Blank: lines ([^<]*)\.</p>`)
	shownSeal  = regexp.MustCompile(`name="seen" value="([0-9a-f]+)"`)
	shownText  = regexp.MustCompile(`(?s)<textarea name="text" rows="12"[^>]*>\n(.*?)</textarea>`)
)

func part(t *testing.T, re *regexp.Regexp, text string) string {
	t.Helper()
	m := re.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("no %s in\n%s", re, text)
	}
	return html.UnescapeString(m[1])
}

// Every line of a list stands on the page once: understood, named, blank, or
// with what is wrong. And the page carries the list along unchanged.
func TestThePageAccountsForEveryLine(t *testing.T) {
	h := newFakeBox("take-off").screens().handler()
	for name, data := range sentLists(t) {
		resp, text := send(t, h, name, data, "kind", kindOfList(name))
		if resp.StatusCode != http.StatusOK {
			t.Errorf("%s: %d\n%s", name, resp.StatusCode, text)
			continue
		}
		times := map[int]int{}
		count := func(from, to string) {
			var a, b int
			_, _ = fmt.Sscan(from, &a) // the expression has checked it
			if _, err := fmt.Sscan(to, &b); err != nil {
				b = a
			}
			for ; a <= b; a++ {
				times[a]++
			}
		}
		for _, m := range shownLine.FindAllStringSubmatch(text, -1) {
			count(m[1], m[2])
		}
		if m := shownBlank.FindStringSubmatch(text); m != nil {
			for _, lines := range strings.Split(m[1], ", ") {
				from, to, _ := strings.Cut(lines, " to ")
				count(from, to)
			}
		}
		sent := part(t, shownText, text)
		want := strings.Count(sent, "\n")
		if sent != "" && !strings.HasSuffix(sent, "\n") {
			want++
		}
		for n := 1; n <= want; n++ {
			if times[n] != 1 {
				t.Errorf("%s: line %d stands there %d times", name, n, times[n])
			}
		}
		if len(times) != want {
			t.Errorf("%s: %d lines, want %d", name, len(times), want)
		}
		_, again := send(t, h, "", nil, "kind", kindOfList(name), "file", name, "text", strings.ReplaceAll(sent, "\n", "\r\n"))
		seal := shownSeal.FindStringSubmatch(again)
		if strings.HasPrefix(name, "units-german") || strings.Contains(text, "UTF-16") || strings.Contains(text, "byte order mark") || strings.Contains(text, "Windows-1252") {
			continue // its letters are UTF-8 now, and the page says so
		}
		if seal == nil || seal[1] != part(t, shownSeal, text) {
			t.Errorf("%s: carried along it is read otherwise", name)
		}
	}
}

// What is taken in are the rows that the command writes, and a replay reads them back.
func TestAListBecomesTheTakeOff(t *testing.T) {
	data := sentLists(t)["same02-german.csv"]
	p, err := exchange.Read("same02-german.csv", data, exchange.TakeOff, exchange.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var wrote bytes.Buffer
	if err := p.WriteTakeoff(&wrote); err != nil {
		t.Fatal(err)
	}
	want, err := csv.NewReader(&wrote).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, scene, rows  string
		before, begun, out int
	}{
		{"under way", "take-off", "replace", 8, 0, 8}, {"goes on", "take-off", "add", 8, 0, 0}, {"not begun", "idle", "", 0, 1, 0},
	} {
		box := newFakeBox(c.scene)
		h := box.screens().handler()
		_, text := send(t, h, "same02-german.csv", data, "kind", "takeoff")
		if len(box.told) != 0 {
			t.Fatal("looking at a list recorded something")
		}
		resp, text := send(t, h, "", nil, "kind", "takeoff", "file", "same02-german.csv", "text", part(t, shownText, text), "seen", part(t, shownSeal, text), "do", "take", "rows", c.rows, "by", "Ines")
		if resp.StatusCode == http.StatusUnprocessableEntity && strings.Contains(text, "has changed since") { // it came as Windows-1252
			resp, text = send(t, h, "", nil, "kind", "takeoff", "file", "same02-german.csv", "text", part(t, shownText, text), "seen", part(t, shownSeal, text), "do", "take", "rows", c.rows, "by", "Ines")
		}
		if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/takeoff?done=import" {
			t.Errorf("%s: %d to %q\n%s", c.name, resp.StatusCode, resp.Header.Get("Location"), text)
			continue
		}
		var e rules.Entered
		for _, st := range box.snap.Running {
			if st.Name == "take-off" {
				e = st.Entered
			}
		}
		begun, notes := 0, ""
		for i := range box.told {
			switch m := box.told[i]; {
			case m.By != "Ines":
				t.Errorf("%s: %+v was told by %q", c.name, m, m.By)
			case m.Kind == "begin" && m.Name == "take-off" && i == 0:
				begun++
			case m.Name == "note":
				notes += m.Note
			case !e.Tell(&box.told[i], ""):
				t.Errorf("%s: %+v is no row", c.name, m)
			}
		}
		var got [][]string
		for _, row := range e.Rows {
			got = append(got, row.Fields[:len(want[0])])
		}
		if begun != c.begun || len(e.Bad) > 0 || len(got) != c.before-c.out+len(want)-1 || !slices.EqualFunc(got[len(got)-len(want)+1:], want[1:], slices.Equal) {
			t.Errorf("%s: begun %d, bad %v, rows %v, want %v", c.name, begun, e.Bad, got, want[1:])
		}
		if wants := fmt.Sprintf("Take-off from the list same02-german.csv: %d taken in", len(want)-1); notes != wants {
			t.Errorf("%s: the note says %q, want %q", c.name, notes, wants)
		}
	}
}

func TestAListIsTakenInOnlyAsItWasSeen(t *testing.T) {
	lists := sentLists(t)
	box := newFakeBox("take-off")
	h := box.screens().handler()
	good := lists["same01-own.csv"]
	_, text := send(t, h, "a.csv", good, "kind", "takeoff")
	seen := part(t, shownSeal, text)
	for name, c := range map[string]struct {
		data   []byte
		fields []string
		says   string
	}{
		"not looked at":     {good, []string{"do", "take"}, "since you looked"},
		"another list":      {lists["same08-bands.csv"], []string{"do", "take", "seen", seen}, "since you looked"},
		"another answer":    {good, []string{"do", "take", "seen", seen, "decimal", "comma"}, "since you looked"},
		"a line left out":   {good, []string{"do", "take", "seen", seen, "out", "2"}, "since you looked"},
		"not all clear":     {lists["bad-rows.csv"], []string{"do", "take", "seen", seen}, "some lines are not understood"},
		"nothing":           {nil, []string{"do", "look"}, "Choose its file"},
		"a PDF":             {[]byte("%PDF-1.7\n1 0 obj"), nil, "this is a PDF"},
		"a spreadsheet":     {append([]byte("PK\x03\x04\x14\x00\x06\x00"), "......[Content_Types].xml"...), nil, "save the sheet as CSV"},
		"a photo":           {plainJPEG(40, 30), nil, "this is a picture"},
		"much too large":    {bytes.Repeat([]byte("a;b\n"), 400_000), nil, "larger than 1 MB"},
		"far too large":     {bytes.Repeat([]byte("a;b\n"), mostListBody/4), nil, "larger than 4 MB"},
		"an odd unit":       {good, []string{"length_unit", "psi"}, "no unit of length"},
		"an odd column":     {good, []string{"column1", "weather"}, "is no column"},
		"an odd line":       {good, []string{"out", "x"}, "is no line"},
		"rows since":        {good, []string{"do", "take", "seen", "00"}, "since you looked"},
		"a file, not seen":  {good, []string{"do", "file", "seen", "00"}, "since you looked"},
		"a file, not clear": {lists["bad-rows.csv"], []string{"do", "file"}, "some lines are not understood"},
	} {
		resp, text := send(t, h, "a.csv", c.data, append([]string{"kind", "takeoff"}, c.fields...)...)
		if resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, c.says) || len(box.told) != 0 {
			t.Errorf("%s: %d, recorded %d, want 422 and %q in\n%.3000s", name, resp.StatusCode, len(box.told), c.says, text)
		}
	}
	// Somebody enters a row meanwhile.
	told := rules.RowMark("", []string{"e", "liquid", "1/2 in", "10 m", "", ""}, false)
	box.snap.Running[0].Entered.Tell(&told, "")
	if resp, text := send(t, h, "a.csv", good, "kind", "takeoff", "do", "take", "seen", seen); resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "since you looked") {
		t.Errorf("a row that was entered meanwhile: %d", resp.StatusCode)
	}
	if resp, _ := send(t, h, "a.csv", good, "kind", "takeoff", "system", "roof"); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a system that is not there: %d", resp.StatusCode)
	}
}

// Answers, columns by their number and lines left out are given on the page as on the command line.
func TestAListIsAnsweredOnThePage(t *testing.T) {
	lists := sentLists(t)
	h := newFakeBox("take-off").screens().handler()
	for name, c := range map[string]struct {
		fields []string
		before string
	}{
		"no-unit.csv":          {[]string{"length_unit", "ft"}, "The lengths have no unit"},
		"thousands.csv":        {[]string{"decimal", "comma"}, "can be read in two ways"},
		"no-line-kind.csv":     {[]string{"line", "liquid"}, "which kind of line"},
		"no-headings.csv":      {[]string{"column1", "run", "column2", "line", "column3", "outside_diameter", "column4", "length"}, "no line with headings"},
		"two-lengths-open.csv": {[]string{"column4", "length"}, "may both be the length"},
	} {
		if _, text := send(t, h, name, lists[name], "kind", "takeoff"); !strings.Contains(text, c.before) || strings.Contains(text, `value="take"`) || !strings.Contains(text, "Say otherwise") || strings.Contains(text, "--") && !strings.Contains(string(lists[name]), "--") {
			t.Errorf("%s: want it to ask %q in\n%s", name, c.before, text)
		}
		if _, text := send(t, h, name, lists[name], append([]string{"kind", "takeoff"}, c.fields...)...); !strings.Contains(text, `value="take"`) {
			t.Errorf("%s, answered, is still not clear:\n%s", name, text)
		}
	}
}

// A second take-off that comes to another charge is doubted on the page as its judge will.
func TestAListThatDiffersIsDoubted(t *testing.T) {
	box := newFakeBox("idle")
	past := takingOff(box.snap.Wall)
	past.Ended = box.snap.Wall
	past.Verdicts = []Finding{{Finding: rules.Finding{Flag: "take-off", Step: "take-off", Result: rules.Passed, Values: []rules.Value{{Key: "additional_kg", Number: 14.977}, {Key: "liquid_length_m", Number: 140}, {Key: "gas_length_m", Number: 140}}}}}
	box.snap.Past = append([]Step{past}, box.snap.Past...)
	h := box.screens().handler()
	rows := func(last string) []byte {
		return []byte("run,line,od (mm),length (m),factor (kg/m)\na,liquid,9.52,62,0.048\nb,liquid,12.7,38.5,0.094\nc,liquid,15.88,24,0.152\nd,liquid,19.05," + last + ",0.228\n")
	}
	for last, doubted := range map[string]bool{"15.5": false, "18.5": false, "22": true} { // 0, 4.9 and 10.7 per cent of 13.78 kg
		box.snap.Past[0].Verdicts[0].Values[0].Number = 13.777 // what the lines alone come to
		_, text := send(t, h, "second.csv", rows(last), "kind", "takeoff")
		if strings.Contains(text, "the one before") != doubted {
			t.Errorf("%s m: doubted %v\n%s", last, !doubted, text)
		}
	}
}

// A unit list says what should be there. Who answers is found at the unit.
func TestAUnitListIsPlannedAndFindsNothing(t *testing.T) {
	box := newFakeBox("count")
	h := box.screens().handler()
	list := []byte("Unit;Address;Room;Branch;Port\niu01;7;Reading room;bu1;1\niu02;2;Map store;bu1;2\niu77;9;Attic;bu1;3\n")
	_, text := send(t, h, "units.csv", list, "kind", "units")
	for _, want := range []string{"iu77 (line 4): in the list, not in the site file", "iu01 · indoor · address 7", "indoor_units:", "That a unit answers is found at the unit"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	resp, text := send(t, h, "units.csv", list, "kind", "units", "seen", part(t, shownSeal, text), "do", "file")
	if resp.StatusCode != http.StatusOK || !strings.Contains(resp.Header.Get("Content-Disposition"), "units.yaml") || !strings.Contains(text, "- {name: iu77, room: Attic, branch: bu1, port: 3} # address 9") {
		t.Errorf("%d %v\n%s", resp.StatusCode, resp.Header, text)
	}
	_, text = send(t, h, "units.csv", list, "kind", "units")
	resp, text = send(t, h, "units.csv", list, "kind", "units", "seen", part(t, shownSeal, text), "do", "take")
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/sheet?done=import" {
		t.Fatalf("%d to %q\n%s", resp.StatusCode, resp.Header.Get("Location"), text)
	}
	sheet := box.snap.Sheets[""]
	found := sheet.FoundOf(rules.KindIndoor)
	for i := range box.told {
		if box.told[i].Name == "unit-found" || box.told[i].Name == "counted" {
			t.Errorf("recorded %+v: a list has found nothing", box.told[i])
		}
		sheet.Tell(&box.told[i])
	}
	if len(sheet.Planned) != 3 || sheet.FoundOf(rules.KindIndoor) != found || len(sheet.Settings) != len(box.snap.Sheets[""].Settings) {
		t.Errorf("planned %v, found %d (before %d)", sheet.Planned, sheet.FoundOf(rules.KindIndoor), found)
	}
	box.snap.Sheets = map[string]rules.AddressSheet{"": sheet}
	_, text = visit(t, h, "GET", "/sheet", nil)
	for _, want := range []string{"by the unit list: address 7, Reading room, branch unit bu1/1", "iu01 answers at address 1; the unit list has 7", "by the unit list: address 2"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is missing in\n%s", want, text)
		}
	}
	if strings.Contains(text, "iu02 answers at address 2; the unit list") {
		t.Error("an address as planned is doubted")
	}
}
