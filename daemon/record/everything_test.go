package record_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/record"
	"standwatch/rules"
)

var showRecord = flag.String("show-record", "", "a folder to write the record of everything to, for looking at its pages")

// everything is an invented job that has all that a record can hold, as a field
// log: its figures are made up, its site does not exist.
type everything struct {
	begin time.Time
	rows  [][]string
}

func (e *everything) row(minute float64, kind, name, value, unit, note string) {
	at := e.begin.Add(time.Duration(minute * float64(time.Minute))).Round(time.Millisecond)
	e.rows = append(e.rows, []string{at.Format("2006-01-02T15:04:05.000Z"), kind, name, value, unit, note})
}

func (e *everything) mark(minute float64, name, note string) {
	e.row(minute, "mark", name, "", "", note)
}

func (e *everything) step(name string, from, to float64) {
	e.row(from, "begin", name, "", "", "")
	e.row(to, "end", name, "", "", "")
}

// read is a point's readings from one minute to another.
func (e *everything) read(point, unit string, from, to, everyS float64, value func(minute float64) float64) {
	for i := 0; ; i++ {
		m := from + float64(i)*everyS/60
		if m > to {
			return
		}
		wobble := float64(((i*7919)%11)-5) / 5 // by hand: the same everywhere
		v := value(m)
		e.row(m, "reading", point, fmt.Sprintf("%.5g", v+float64(wobble*2e-4*max(1, math.Abs(v)))), unit, "")
	}
}

func (e *everything) write(t *testing.T, file string) {
	t.Helper()
	slices.SortStableFunc(e.rows, func(a, b []string) int { return strings.Compare(a[0], b[0]) })
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := csv.NewWriter(f)
	if err := w.WriteAll(append([][]string{{"time", "kind", "name", "value", "unit", "note"}}, e.rows...)); err != nil {
		t.Fatal(err)
	}
}

func aPhoto(t *testing.T, shift int) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 96, 64))
	for y := range 64 {
		for x := range 96 {
			img.SetGray(x, y, color.Gray{Y: uint8((x*2 + y*shift) % 256)})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// vacuumAndCharge are the first hours: what was reported, calibrations, a hold
// that fails over a power cut, the charge over two cylinders and a silent scale.
func (e *everything) vacuumAndCharge() {
	e.mark(0, "job-begun", "the reading wing, by Ines")
	e.mark(0.5, "reported", "pressure-test by Duarte: sheet 7 of 2 June, 38 bar for 24 h")
	e.mark(0.6, "reported", "evacuation by Duarte: three pulls, sheet 8")
	e.mark(0.8, "calibrated", "gauge offset 1.5 Pa against a second gauge valid until 2027-06-01 by Ines")
	e.mark(1, "placed", "scale exchanged serial SC-0511 against a 20 kg weight valid until 2027-01-31 by Ines: the old one read nothing")
	e.mark(1.2, "calibrated", "iu01-supply offset -0.3 K against the reference thermometer by Ines")
	e.mark(1.4, "calibrated", "ambient checked within 0.2 K against the ice point by Ines")
	e.mark(1.6, "calibrated", "iu01-supply withdrawn by Ines: the reference was in the sun")
	for i, row := range []string{"riser,liquid,1/2 in,20 m,,0.110 kg/m", "rooms,liquid,3/8 in,10 m,,0.054 kg/m", "riser,suction,7/8 in,20 m", "riser,hot-gas,3/4 in,20 m"} {
		e.mark(2+float64(i)/10, "setting", "take-off row: "+row)
	}
	e.step("take-off", 1.8, 3)
	e.step("vacuum-hold", 10, 78)
	hold := func(m float64) float64 { return 40 + float64(0.8*(m-10)) }
	e.read("gauge", "Pa", 9, 38, 30, hold)
	e.mark(41, "power-cut", "")
	e.read("gauge", "Pa", 41.5, 78, 30, hold)
	e.mark(45, "acknowledged", "vacuum-rising")
	e.mark(79, "accepted", "vacuum-hold by A. Reis: the flare of iu03 was found loose and tightened; the line was pulled down once more overnight, sheet 9")
	e.step("draw-in", 90, 102)
	e.read("scale", "kg", 89, 102, 5, func(m float64) float64 { return 21.4 - float64(0.2*min(max(m-91, 0), 10)) })
	e.mark(101.5, "valves-opened", "liquid and gas")
	e.step("weigh-in", 130, 152)
	weigh := func(m float64) float64 { return 19.4 - float64(0.05*min(max(m-131, 0), 9)) }
	e.read("scale", "kg", 129, 134, 5, weigh)
	e.read("scale", "kg", 137, 140, 5, weigh)
	e.mark(139, "acknowledged", "scale-silent") // it is heard again since 137 min
	e.mark(141, "cylinder-swapped", "the second cylinder")
	e.read("scale", "kg", 140.3, 140.8, 5, func(float64) float64 { return 0.02 })
	e.read("scale", "kg", 141.2, 152, 5, func(m float64) float64 { return 17.3 - float64(0.05*min(max(m-143, 0), 5.8)) })
	e.read("ambient", "C", 0, 352, 60, func(m float64) float64 { return 24 - float64(m/60) })
}

func (e *everything) units() {
	e.step("unit-count", 104, 125)
	for i, note := range []string{"ou1 address 0", "bu1 address 51", "iu01 address 1 room Reading room model QL-28", "iu02 address 2", "iu03 address 7", "iu04 address 4 note answers late", "iu05 address 5",
		"iu03 address 7 withdrawn", "iu03 address 3"} {
		e.mark(106+float64(i)/4, "unit-found", note)
	}
	e.mark(112, "counted", "5 indoor units, 1 branch unit, 1 outdoor unit")
	e.mark(114, "setting", "iu04 setting 21 from 0 to 2 note high ceiling")
	e.mark(115, "setting", "ou1 setting 9 from 1 to 0 note night silent off, asked by A. Reis")
}

// rooms are the trial run and the checks that judge each unit; iu05 has no
// sensors of its own, and carried probes stand there for a while.
func (e *everything) rooms() {
	e.step("trial-run", 155, 202)
	for _, p := range []struct {
		point, unit string
		level       float64
	}{{"suction-pressure", "kPa", 880}, {"liquid-pressure", "kPa", 2000}, {"suction-line", "C", 12.5}, {"liquid-line", "C", 28.5}, {"discharge-line", "C", 68}} {
		e.read(p.point, p.unit, 154, 202, 15, func(m float64) float64 { return p.level + float64(0.2*math.Round(math.Sin(m)*8)/8) })
	}
	indoor := []string{"iu01", "iu02", "iu03", "iu04"}
	settles := func(from, m, span float64) float64 { return float64(span * (1 - math.Pow(2, -max(0, m-from)/2))) }
	air := func(from, to float64, span func(unit string, m float64) float64) {
		for _, u := range indoor {
			e.read(u+"-return", "C", from, to, 20, func(float64) float64 { return 24.5 })
			e.read(u+"-humidity", "%", from, to, 60, func(float64) float64 { return 50 })
			e.read(u+"-supply", "C", from, to, 20, func(m float64) float64 { return math.Round(100*(24.5+span(u, m))) / 100 })
		}
	}
	ask := func(m float64, what string) {
		for _, u := range append(indoor, "iu05") {
			e.row(m, "command", u, "", "", what)
		}
	}
	e.step("cooling-check", 205, 237)
	ask(205.1, "cool")
	air(204, 237, func(u string, m float64) float64 {
		if u == "iu03" {
			return -settles(205, m, 4)
		}
		return -settles(205, m, 11)
	})
	e.mark(226, "placed", "probe-supply and probe-return at iu05")
	e.read("probe-return", "C", 226, 235, 10, func(float64) float64 { return 24.3 })
	e.read("probe-supply", "C", 226, 235, 10, func(m float64) float64 { return 24.3 - settles(226, m*2-226, 11.2) })
	e.step("heating-check", 245, 275)
	ask(245.1, "heat")
	air(244, 275, func(_ string, m float64) float64 { return settles(245, m, 21) })
	e.branches(indoor, air)
}

// branches cools everywhere and heats by turns; iu01 and iu02 are crossed.
func (e *everything) branches(indoor []string, air func(from, to float64, span func(unit string, m float64) float64)) {
	const begin, each = 282.0, 12.0
	e.step("branch-check", begin-1, begin+4*each+1)
	answers := map[string]string{"iu01": "iu02", "iu02": "iu01", "iu03": "iu03", "iu04": "iu04"}
	heated := func(run int, unit string) bool { return slices.Index(indoor, unit)>>(run/2)&1 == run%2 }
	for run := range 4 {
		for _, u := range indoor {
			what := "cool"
			if heated(run, u) {
				what = "heat"
			}
			e.row(begin+float64(run)*each, "command", u, "", "", what)
		}
	}
	air(begin-1, begin+4*each+1, func(u string, m float64) float64 {
		run := min(3, max(0, int((m-begin)/each)))
		goal, before := -10.0, -10.0
		if heated(run, answers[u]) {
			goal = 15
		}
		if run > 0 && heated(run-1, answers[u]) {
			before = 15
		}
		if m < begin {
			return 0
		}
		if run == 0 {
			before = 0
		}
		since := m - begin - float64(run)*each
		return before + float64((goal-before)*(1-math.Pow(2, -since/1.5)))
	})
}

func (e *everything) handOver(photos []string) {
	e.mark(335, "accepted", "branch-check by A. Reis: iu01 and iu02 are piped over on Monday, order 114")
	e.mark(335.5, "accepted", "cooling-check by A. Reis: iu03 is looked at with the pipes of iu01")
	e.step("hand-over", 336, 350)
	e.mark(337, "checked", "drains done by Ines: a jug of water through each photo "+photos[0])
	e.mark(338, "checked", "insulated wrong by Ines: the branch at bu1 is bare photo "+photos[1])
	e.mark(339, "checked", "insulated done by Ines: mended")
	e.mark(340, "checked", "no-oil-traps does-not-apply by Ines: all lines fall to the outdoor unit")
	e.mark(341, "checked", "airways done by Ines")
	e.mark(342, "checked", "airways withdrawn by Ines: the grille of iu02 is still taped")
	e.mark(343, "checked", "charge-label done by Ines: fixed inside the panel photo "+photos[2])
	e.mark(345, "note", "Κλειδιά στη θυρωρό; ключи у сторожа.")
	strokes := rules.Strokes{{{X: 0.1, Y: 0.7}, {X: 0.2, Y: 0.2}, {X: 0.3, Y: 0.8}, {X: 0.45, Y: 0.3}, {X: 0.6, Y: 0.6}}, {{X: 0.65, Y: 0.45}, {X: 0.8, Y: 0.5}}}
	e.mark(351, "signed", rules.Signed{Role: "technician", Name: "Ines Άλφα", Strokes: strokes}.Note())
	e.mark(352, "signed", rules.Signed{Role: "owner", Name: "A. Reis", Strokes: strokes[:1]}.Note())
}

var (
	drawnPath = regexp.MustCompile(` d="M[^"]{60,}"`)
	pictured  = regexp.MustCompile(`base64,[^"]+`)
	drawnSpot = regexp.MustCompile(`<(path|text)[^>]*>`)
)

// short is a page without the places of what is drawn: what a curve looks like
// is seen by eye, and the sum under it says whether it changed.
func short(page []byte) []byte {
	sum := sha256.Sum256(page)
	text := pictured.ReplaceAll(page, []byte("base64,..."))
	text = drawnPath.ReplaceAll(text, []byte(` d="..."`))
	var out [][]byte
	for line := range bytes.Lines(text) {
		if bytes.Contains(line, []byte("<svg xmlns")) { // a line each: its words, not its places
			line = bytes.ReplaceAll(line, []byte("</text>"), []byte(" | "))
			line = drawnSpot.ReplaceAll(line, nil)
		}
		out = append(out, line)
	}
	return append(bytes.Join(out, nil), fmt.Sprintf("whole: %x\n", sum)...)
}

// everythingLaid is the paper of a job with everything.
func everythingLaid(t *testing.T) record.Document {
	t.Helper()
	e := everything{begin: time.Date(2026, 6, 20, 15, 0, 0, 0, time.UTC)}
	var photos []string
	var pictures [][]byte
	for i := range 3 {
		picture := aPhoto(t, i+1)
		pictures = append(pictures, picture)
		photos = append(photos, fmt.Sprintf("%x", sha256.Sum256(picture)))
	}
	e.vacuumAndCharge()
	e.units()
	e.rooms()
	e.handOver(photos)
	log := filepath.Join(t.TempDir(), "log.csv")
	e.write(t, log)
	j, _ := replayed(t, filepath.Join("..", "..", "testdata", "record", "everything.yaml"), log)
	for _, p := range pictures[:2] { // the third is on another box
		if _, err := j.KeepPhoto(p); err != nil {
			t.Fatal(err)
		}
	}
	return record.Lay(read(t, j, record.Which{}))
}

// The record of a job with everything: its text and its page to the letter, and
// both papers under the size that a mail takes.
func TestGoldenEverything(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	d := everythingLaid(t)
	var page bytes.Buffer
	if err := record.HTML(&page, d); err != nil {
		t.Fatal(err)
	}
	golden(t, filepath.Join(dir, "everything.txt"), []byte(plainText(d)))
	golden(t, filepath.Join(dir, "everything.html.txt"), short(page.Bytes()))
	for _, p := range []record.Paper{record.A4, record.Letter} {
		var b bytes.Buffer
		if err := record.PDF(&b, d, p); err != nil {
			t.Fatal(err)
		}
		if b.Len() > 2_000_000 {
			t.Errorf("%s: %d bytes", p.Name, b.Len())
		}
		if *showRecord != "" {
			if err := os.WriteFile(filepath.Join(*showRecord, "everything-"+p.Name+".pdf"), b.Bytes(), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	if *showRecord != "" {
		if err := os.WriteFile(filepath.Join(*showRecord, "everything.html"), page.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// Another program finds every figure of that record in both its papers, as it
// stands; spaces apart, for a cell may be broken over lines.
func TestRealTextOfEverything(t *testing.T) {
	d := everythingLaid(t)
	for _, p := range []record.Paper{record.A4, record.Letter} {
		var b bytes.Buffer
		if err := record.PDF(&b, d, p); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("pdftotext", "-raw", "-", "-")
		cmd.Stdin = &b
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("pdftotext: %v (deploy/needs paper installs it)", err)
		}
		flat, figures := strings.Join(strings.Fields(string(out)), ""), 0
		find := func(text string) {
			if strings.ContainsAny(text, "0123456789") {
				figures++
			}
			if strings.Contains(flat, strings.Join(strings.Fields(text), "")) {
				return
			}
			t.Errorf("%s: %q is not found", p.Name, text)
		}
		for _, block := range d.Blocks {
			switch x := block.(type) {
			case record.Heading:
				find(x.Text)
			case record.Paragraph:
				find(x.Text)
			case record.Facts:
				for _, f := range x {
					find(f.Label)
					find(f.Text)
				}
			case record.Table:
				find(x.Caption)
				for _, row := range x.Rows {
					for _, cell := range row {
						find(cell)
					}
				}
			case record.Curve:
				find(x.Title)
			case record.Curves:
				for _, c := range x.Each {
					find(c.Title)
				}
			case record.Picture:
				find(x.Caption)
			case record.Signature:
				find(x.Name)
			}
		}
		if figures < 500 {
			t.Errorf("%s: only %d figures: was that a job with everything?", p.Name, figures)
		}
	}
}

// A heading and the caption right below it do not say the same, and a step's
// number stands in the name that begins its sentence.
func TestNothingIsSaidTwiceOnPaper(t *testing.T) {
	blocks := everythingLaid(t).Blocks
	for i, b := range blocks[1:] {
		h, headed := blocks[i].(record.Heading)
		table, tabled := b.(record.Table)
		if !headed || !tabled || table.Caption == "" {
			continue
		}
		for _, word := range strings.Fields(strings.ToLower(table.Caption)) {
			if word = strings.Trim(word, ",:"); len(word) > 3 && strings.Contains(strings.ToLower(h.Text), word) {
				t.Errorf("below %q the table is called %q", h.Text, table.Caption)
			}
		}
	}
	for _, b := range blocks {
		p, ok := b.(record.Paragraph)
		title, rest, parted := strings.Cut(p.Text, ": ")
		if name := strings.TrimRight(title, " 0123456789"); ok && parted && name != "" && strings.HasPrefix(rest, name+" ") {
			t.Errorf("said twice: %s", p.Text)
		}
	}
}
