package record

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// everyBlock is an invented document with each kind of block.
func everyBlock(t testing.TB) Document {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	made := time.Date(2026, 3, 13, 6, 12, 0, 0, zone)
	table := Table{Caption: "Figures of the hold", Columns: []Column{{Title: "Figure"}, {Title: "Value", Number: true}, {Title: "Limit", Number: true}, {Title: "Source of the limit", Wide: true}}}
	for i := range 70 {
		table.Rows = append(table.Rows, []string{fmt.Sprintf("figure %d", i+1), fmt.Sprintf("%d.%02d micron", 300+i, i), "500 micron",
			strings.Repeat("site file, as it stood when the step began; ", 1+i%3)})
	}
	wide := Table{Caption: "A table of many columns", Columns: []Column{{Title: "Unit"}, {Title: "Address", Number: true}, {Title: "Room"}, {Title: "Capacity, kW", Number: true},
		{Title: "Liquid line, mm", Number: true}, {Title: "Gas line, mm", Number: true}, {Title: "Superheat, K", Number: true}, {Title: "Supply air, °C", Number: true},
		{Title: "Return air, °C", Number: true}, {Title: "Verdict"}, {Title: "Said by", Wide: true}},
		Rows: [][]string{
			{"iu-reading-room-east", "1", "Reading room, east window", "5.60", "6.35", "12.70", "5.2", "12.9", "24.1", "passed", "Ελένη Παπαδοπούλου"},
			{"iu-stacks", "2", "Κεντρική αίθουσα", "7.10", "9.52", "15.88", "6.1", "13.4", "24.4", "not proven", "Наталія Шевченко"},
			{"iu-3", "3", "sha256:3f8c0b1c2d4e5f60718293a4b5c6d7e8f90112233445566778899aabbccddeef", "2.80", "6.35", "9.52", "", "", "", "open", ""},
		}}
	img := image.NewRGBA(image.Rect(0, 0, 600, 400))
	for y := range 400 {
		for x := range 600 {
			img.Set(x, y, color.RGBA{uint8(x / 3), uint8(y / 2), uint8(x ^ y), 255})
		}
	}
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, img, nil); err != nil {
		t.Fatal(err)
	}
	long := "Vacuum held for 60 min of 60 min. The gauge on the service port rose from 312 to 420 micron and levelled off, which is what moisture that boils out does; a leak would have gone on rising. "
	log := aNight(t)
	straight := aNight(t)
	straight.Title, straight.Log = "The same on a straight axis, the hold alone.", false
	straight.Begin = straight.Lines[0].Stretches[1][0].At.Add(-10 * time.Minute)
	straight.Lines[0].Stretches = straight.Lines[0].Stretches[1:]
	return Document{
		Title: "Start-up record: Quayside Library, system ground-floor", Subject: "First job, 12 to 13 March 2026. All names and figures are invented.",
		Language: "en", Foot: "Quayside Library · ground-floor · first job · made of entries 1 to 48211, check sum 3f8c 0b1c 2d4e 5f60", Made: made,
		Blocks: []Block{
			Paragraph{Text: "This record reports readings and rules chosen for this job. It does not replace the equipment manual, the code official or a qualified technician. The tool opens and closes nothing."},
			Heading{Level: 1, Text: "Site and system", ID: "site"},
			Facts{{"Site", "Quayside Library, Harbour Street 1"}, {"System", "ground-floor"}, {"Technician", "Zoë Näslund, Łukasz Żółć, Νίκος Καζαντζής, Дмитро Коваль"}, {"Refrigerant", "R-410A, 14.20 kg = 31 lb 4.9 oz"}, {"A long label that must wrap in its place", long + long}},
			Paragraph{Tone: Caution, Text: "Caution: nitrogen at 4.0 MPa. Keep everybody away from the lines; raise the pressure in steps, as the maker's instructions and local code say."},
			Heading{Level: 1, Text: "Steps"},
			Heading{Level: 2, Text: "Vacuum hold"},
			Paragraph{Tone: Result, State: "passed", Text: long},
			Paragraph{Tone: Result, State: "failed", Text: "Pressure fell by 38 kPa in 24 h; the temperature explains 4 kPa."},
			Paragraph{Tone: Result, State: "not-proven", Text: "The gauge was silent for 20 min of 60 min."},
			Paragraph{Tone: Result, State: "reported", Text: "The lines were brazed under nitrogen, as the fitter says."},
			Paragraph{Tone: Result, State: "accepted", Text: "The supervisor took the result as it is."},
			Paragraph{Tone: Result, State: "open", Text: "Nobody has looked at the drain of unit 3."},
			Paragraph{Tone: Result, State: "under-way", Text: "Trial run, 20 of 60 min."},
			log,
			Paragraph{Tone: Small, Text: "Source of the limit: the site file of 12 March 2026; common practice is 500 micron."},
			straight,
			someAirs(made),
			Heading{Level: 3, Text: "All figures"},
			table,
			wide,
			Break{},
			Heading{Level: 1, Text: "Photos"},
			photoOf(photo.Bytes(), "Drain of unit 3, poured with 2 l: runs off. Taken 23:05."),
			photoOf(photo.Bytes(), "The name plate of the outdoor unit."),
			photoOf([]byte("torn"), "A torn photo."),
			Heading{Level: 1, Text: "Signed"},
			Signature{Name: "Zoë Näslund", Role: "technician", Signed: made, Strokes: [][]Dot{{{0.1, 0.6}, {0.2, 0.2}, {0.3, 0.8}, {0.5, 0.3}, {0.7, 0.6}}, {{0.75, 0.5}, {0.9, 0.55}}}},
			Signature{Name: "Дмитро Коваль", Role: "for the owner"},
		},
	}
}

// someAirs are the invented airs of seven units: four on one row would be too
// many, and the last row is not full.
func someAirs(at time.Time) Curves {
	cs := Curves{Title: "Supply and return air, unit by unit", Note: "Shaded is where the supply air was to lie."}
	for i := range 7 {
		end := at.Add(30 * time.Minute)
		c := Curve{Title: fmt.Sprintf("iu%02d, Room %d: passed", i+1, i+1), Unit: "°C", Begin: at, End: end, Axis: [2]float64{10, 28}, Describe: "Supply air 13 to 24 °C, return air 24 to 25 °C.",
			Lines: []Line{{Name: "supply air", Stretches: [][]Sample{{{at, 24}, {at.Add(9 * time.Minute), 13}, {end, 13.5}}}},
				{Name: "return air", Stretches: [][]Sample{{{at, 25}, {end, 24}}}}},
			Bands: []Band{{Name: "where the supply air is good", At: []time.Time{at, end}, Low: []float64{12, 11}, High: []float64{16, 15}}},
			Ticks: []Tick{{at.Add(18 * time.Minute), "judged 06:30"}}}
		if i%2 == 1 {
			c.Spans = []Span{{at, at.Add(10 * time.Minute), "asked to heat", true}, {at.Add(12 * time.Minute), end, "asked to cool", false}}
		}
		cs.Each = append(cs.Each, c)
	}
	return cs
}

func drawPDF(t testing.TB, d Document, p Paper) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := PDF(&b, d, p); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// textOf reads a PDF back with a program that is not ours, poppler's
// pdftotext (deploy/needs paper).
func textOf(t testing.TB, pdf []byte, args ...string) string {
	t.Helper()
	cmd := exec.Command("pdftotext", append(args, "-", "-")...)
	cmd.Stdin = bytes.NewReader(pdf)
	var problem bytes.Buffer
	cmd.Stderr = &problem
	out, err := cmd.Output()
	if err != nil || problem.Len() > 0 {
		t.Fatalf("pdftotext: %v %s (deploy/needs paper installs it)", err, problem.String())
	}
	return string(out)
}

// Every text of every block is found in the file by another program, on both
// papers, and in the order in which it is read.
func TestTextOfPDF(t *testing.T) {
	d := everyBlock(t)
	for _, p := range []Paper{A4, Letter} {
		pdf := drawPDF(t, d, p)
		if len(pdf) > 400_000 {
			t.Errorf("%s: %d bytes", p.Name, len(pdf))
		}
		text := textOf(t, pdf, "-raw") // in the order of the file
		flat := strings.ReplaceAll(text, "\n", "")
		flat = strings.ReplaceAll(flat, " ", "")
		everyText(d, func(want string) {
			// A cell may be broken over lines, and other cells stand between
			// them: word by word.
			for _, w := range strings.Fields(want) {
				if len(w) < 30 && !strings.Contains(flat, w) {
					t.Errorf("%s: %q is not found", p.Name, w)
				}
			}
		})
		at := 0
		for _, want := range []string{"Start-up record", "Site and system", "Caution: nitrogen", "Passed.", "Vacuum held", "Failed.", "figure 1 ", "figure 70 ", "Photos", "Signed"} {
			i := strings.Index(text[at:], want)
			if i < 0 {
				t.Errorf("%s: %q does not come where it is read", p.Name, want)
				continue
			}
			at += i
		}
		pages := strings.Count(text, "\f")
		for i := range pages {
			if want := fmt.Sprintf("%d of %d", i+1, pages); !strings.Contains(text, want) {
				t.Errorf("%s: no page says %q", p.Name, want)
			}
		}
		if heads := strings.Count(text, "Source of the limit\n"); heads < 2 {
			t.Errorf("%s: the head of the long table stands %d times on %d pages", p.Name, heads, pages)
		}
	}
}

// The same document gives the same bytes, whatever was drawn before.
func TestSameBytes(t *testing.T) {
	first := drawPDF(t, everyBlock(t), A4)
	drawPDF(t, Document{Title: "another", Language: "en"}, Letter)
	if !bytes.Equal(first, drawPDF(t, everyBlock(t), A4)) {
		t.Error("the same document was drawn twice and gave different bytes")
	}
}
