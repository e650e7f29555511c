package record

import (
	"bytes"
	"errors"
	"image"
	"image/draw"
	"image/png"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

// libraryLabel is the charge of the field guide's worked example 1: lines of 62,
// 38.5, 24 and 15.5 m take 13.777 kg, ten units 1.2 kg, and two outdoor units
// come with 9.8 kg each: 14.977 kg (33.02 lb) added, 34.577 kg (76.23 lb) in all.
func libraryLabel() chargeLabel {
	at := time.Date(2026, 3, 2, 5, 40, 0, 0, time.FixedZone("WET", 0))
	l := chargeLabel{
		Site: "Quayside Library", System: "north", Job: "first job", Refrigerant: "R-410A",
		Warming:  "GWP 2088 (IPCC AR4): 72.2 t CO2e",
		Factory:  exactly(2 * 9.8),
		Added:    exactly(14.977),
		Liquid:   sizes([]pipeSize{{15.88e-3, 15.5}, {6.35e-3, 40}, {9.52e-3, 38.5}, {12.7e-3, 24}, {6.35e-3, 22}}),
		Gas:      sizes([]pipeSize{{12.7e-3, 62}, {15.88e-3, 38.5}, {19.05e-3, 24}, {28.58e-3, 15.5}}),
		Pressure: labelProof{"3792 kPa (550 psi) for 24 h: passed"},
		Vacuum:   labelProof{"53 Pa (400 micron) after 60 min, limit 500 micron: passed"},
		Charged:  at, Made: at,
		Who: []labelSigner{{"Ana Quay", "technician"}},
		Key: "4F2A 91C0 77DE 0B13 A6C5 2E88 10F9 3D47",
	}
	l.Added.How = labelWeighed
	l.Total = l.Factory.plus(l.Added)
	return l
}

func labelFile(t *testing.T, l chargeLabel, paper LabelPaper) string {
	t.Helper()
	var b bytes.Buffer
	if err := l.pdf(&b, paper); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "label.pdf")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// outside runs a program that is none of ours; deploy/needs paper installs it.
func outside(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	var out, errOut bytes.Buffer
	cmd := exec.Command(name, args...)
	cmd.Stdout, cmd.Stderr = &out, &errOut
	if err := cmd.Run(); errors.Is(err, exec.ErrNotFound) {
		t.Fatalf("%v; deploy/needs paper installs it", err)
	} else if err != nil {
		t.Fatalf("%s %s: %v: %s", name, strings.Join(args, " "), err, errOut.String())
	}
	return out.Bytes()
}

// labelPixels is the label's page as a printer of so many dots an inch has it.
func labelPixels(t *testing.T, pdf string, dpi int) *image.Gray {
	t.Helper()
	base := strings.TrimSuffix(pdf, ".pdf")
	outside(t, "pdftoppm", "-r", strconv.Itoa(dpi), "-png", "-singlefile", pdf, base)
	f, err := os.Open(base + ".png")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	g := image.NewGray(img.Bounds())
	draw.Draw(g, g.Bounds(), img, img.Bounds().Min, draw.Src)
	return g
}

// readCode reads the code off a picture by a program that knows nothing of what wrote it.
func readCode(t *testing.T, img image.Image) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "page.png")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(f, img); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return strings.TrimSuffix(string(outside(t, "zbarimg", "-q", "--raw", "--nodbus", file)), "\n")
}

// faded is the page after years in a panel, as a phone sees it: ink of which
// 45 % of the contrast is left, specks, paper that has darkened to one side, an
// eye that blurs over three dots, and its noise.
func faded(g *image.Gray, seed uint64) *image.Gray {
	r := rand.New(rand.NewPCG(seed, 7))
	wide, high := g.Rect.Dx(), g.Rect.Dy()
	ink := make([]float64, len(g.Pix))
	for i, p := range g.Pix {
		ink[i] = 110 + 0.45*float64(p)
		if r.Float64() < 0.002 {
			ink[i] = 90
		}
	}
	out := image.NewGray(g.Rect)
	for y := 1; y < high-1; y++ {
		for x := 1; x < wide-1; x++ {
			sum := 0.0
			for _, row := range []int{y - 1, y, y + 1} {
				at := row*g.Stride + x
				sum += ink[at-1] + ink[at] + ink[at+1]
			}
			v := sum/9 - 25*float64(x)/float64(wide) + 3*r.NormFloat64()
			out.Pix[y*out.Stride+x] = uint8(min(max(v, 0), 255))
		}
	}
	return out
}

func TestRealDecoderReadsTheLabel(t *testing.T) {
	long := libraryLabel()
	long.Liquid, long.Gas = nil, nil
	for i := range 12 {
		long.Liquid = append(long.Liquid, pipeSize{float64(6+3*i) * 1e-3, 12.5})
		long.Gas = append(long.Gas, pipeSize{float64(9+4*i) * 1e-3, 31.4})
	}
	long.Notes = []string{"not proven: the scale was silent", "accepted by Ines Cais: weighed again by hand"}
	greek := libraryLabel()
	greek.Site, greek.Who = "Βιβλιοθήκη Προκυμαίας", []labelSigner{{"Елена Причал", "монтажник"}}
	for name, l := range map[string]chargeLabel{"library": libraryLabel(), "long": long, "Greek and Cyrillic": greek, "empty": {}} {
		for _, paper := range LabelPapers {
			page := labelPixels(t, labelFile(t, l, paper), 300)
			want := l.codeText()
			if got := readCode(t, page); got != want {
				t.Errorf("%s, %s: the code says\n%s\nwant\n%s", name, paper, got, want)
			}
			if paper != A6 || name != "library" && name != "empty" {
				continue // A5 is larger; these two have the finest modules of an ordinary label, and the coarsest
			}
			if got := readCode(t, faded(page, 1)); got != want {
				t.Errorf("%s, %s, faded: the code says\n%s\nwant\n%s", name, paper, got, want)
			}
		}
	}
	if n := len(long.codeText()); n > codeMost {
		t.Errorf("the code holds %d bytes", n)
	}
	if text := libraryLabel().codeText(); strings.Contains(text, labelMore) || !strings.Contains(text, "TOTAL 34.58 kg (76 lb 4 oz)") {
		t.Errorf("an ordinary label does not fit into its code: %s", text)
	}
}

// Every pixel of the page is grey: no ink but black.
func TestRealPrintOfTheLabelIsBlackOnWhite(t *testing.T) {
	file := labelFile(t, libraryLabel(), A6)
	raw := outside(t, "pdftoppm", "-r", "100", file)
	var header struct{ wide, high int }
	fields := bytes.Fields(raw[:20])
	header.wide, _ = strconv.Atoi(string(fields[1]))
	header.high, _ = strconv.Atoi(string(fields[2]))
	// 105 mm and 148 mm are 413 and 583 dots at 100 an inch (ISO 216).
	if abs(header.wide-413) > 1 || abs(header.high-583) > 1 {
		t.Errorf("the sheet is %d by %d dots, want 413 by 583", header.wide, header.high)
	}
	rgb := raw[len(raw)-3*header.wide*header.high:]
	dark, white := 0, 0
	for i := 0; i < len(rgb); i += 3 {
		if rgb[i] != rgb[i+1] || rgb[i] != rgb[i+2] {
			t.Fatalf("pixel %d has a colour: %v", i/3, rgb[i:i+3])
		}
		switch rgb[i] {
		case 0:
			dark++
		case 255:
			white++
		}
	}
	if dark < len(rgb)/3/50 || white < len(rgb)/3/2 {
		t.Errorf("%d dark and %d white pixels of %d", dark, white, len(rgb)/3)
	}
}

func abs(i int) int { return max(i, -i) }

// The words of a page in reading order.
func wordsOf(t *testing.T, file string) string {
	t.Helper()
	return strings.Join(strings.Fields(string(outside(t, "pdftotext", "-layout", file, "-"))), " ")
}

// Another program finds each figure on the sheet.
func TestRealTextOfTheLabelHasEachFigure(t *testing.T) {
	for _, paper := range LabelPapers {
		got := wordsOf(t, labelFile(t, libraryLabel(), paper))
		for _, want := range []string{
			"Quayside Library / north / first job", "R-410A", "19.60 kg", "43 lb 3 oz", "14.98 kg", "33 lb 0 oz", "weighed", "34.58 kg", "76 lb 4 oz",
			"GWP 2088 (IPCC AR4): 72.2 t CO2e", "6.35 mm 1/4 in", "62 m 203.4 ft", "28.58 mm 1 1/8 in", "15.5 m 50.9 ft",
			"3792 kPa (550 psi)", "53 Pa (400 micron)", "2026-03-02", "Ana Quay, technician", "4F2A",
		} {
			if !strings.Contains(got, want) {
				t.Errorf("%s: the sheet lacks %q: %s", paper, want, got)
			}
		}
	}
}

// A name in letters that the fonts lack stands there by their numbers, and whole in the code.
func TestRealTextOfALabelInOtherLetters(t *testing.T) {
	l := libraryLabel()
	l.Site, l.Who = "Βιβλιοθήκη", []labelSigner{{"館長", "owner"}}
	if got := wordsOf(t, labelFile(t, l, A6)); !strings.Contains(got, "Βιβλιοθήκη") || !strings.Contains(got, "[U+9928]") {
		t.Errorf("the sheet shows %s", got)
	}
	if !strings.Contains(l.codeText(), "館長") {
		t.Error("the code lacks the name")
	}
}

func TestRealTextOfALabelOfNothingHasNoFigure(t *testing.T) {
	if got := wordsOf(t, labelFile(t, chargeLabel{Site: "Quayside Library"}, A6)); regexp.MustCompile(`[0-9]`).MatchString(got) {
		t.Errorf("a label of nothing shows a figure: %s", got)
	}
}

// What is not known is no figure, but a line to write on.
func TestLabelOfNothingHasBlanksAndNoFigures(t *testing.T) {
	l := chargeLabel{Site: "Quayside Library"}
	text := l.text()
	if regexp.MustCompile(`[0-9]`).MatchString(text) {
		t.Errorf("a label of nothing shows a figure:\n%s", text)
	}
	for _, label := range []string{labelFactory, labelAdded, labelTotal, labelLiquid, labelPressure, labelVacuum, labelDate, labelSigned} {
		if !strings.Contains(text, label+": ___") {
			t.Errorf("no blank for %q:\n%s", label, text)
		}
	}
}

func TestSameLabelSameBytes(t *testing.T) {
	for _, paper := range LabelPapers {
		var a, b bytes.Buffer
		if err := libraryLabel().pdf(&a, paper); err != nil {
			t.Fatal(err)
		}
		if err := libraryLabel().pdf(&b, paper); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Errorf("%s: the same label has other bytes", paper)
		}
		if a.Len() > 120_000 {
			t.Errorf("%s: %d bytes for one sheet", paper, a.Len())
		}
	}
	if _, err := LabelPaper("a7").scale(); err == nil {
		t.Error("a7 is no sheet of a label")
	}
}

func TestLabelInLetters(t *testing.T) {
	l := libraryLabel()
	l.Added = between(13.4, 14.977, 15.2)
	l.Added.How = "1.20 kg of it seen by no scale: estimated"
	l.Total = l.Factory.plus(l.Added)
	l.Site = "Bibliothèque du Quai"
	got := l.text()
	for _, want := range []string{
		"Site: Biblioth[?]que du Quai\n", "Factory: 19.60 kg (43 lb 3 oz)\n",
		"Added: 13.40 to 15.20 kg\n  (29 lb 9 oz to 33 lb 8 oz)\n  best estimate 14.98 kg\n  1.20 kg of it seen by no scale:\n    estimated\n",
		"TOTAL: 33.00 to 34.80 kg\n", "    6.35 mm 1/4 in       62 m 203.4 ft\n", "U+00E8",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the label lacks %q:\n%s", want, got)
		}
	}
}

func FuzzLabelInLetters(f *testing.F) {
	f.Add("Quayside Library", "a note", 14.977, 9.52e-3)
	f.Add("Βιβλιοθήκη", strings.Repeat("x", 200), -1.0, 0.0)
	f.Add("\xff\n\t", "  lead", 1e300, 1e-300)
	f.Fuzz(func(t *testing.T, site, note string, kg, m float64) {
		l := chargeLabel{Site: site, Notes: []string{note}, Added: exactly(kg), Liquid: []pipeSize{{m, kg}}}
		for line := range strings.Lines(l.text()) {
			line, whole := strings.CutSuffix(line, "\n")
			if len(line) > labelColumns || !whole {
				t.Fatalf("a line of %d: %q", len(line), line)
			}
			for i := range len(line) {
				if line[i] < ' ' || line[i] > '~' {
					t.Fatalf("%q is not ASCII", line)
				}
			}
		}
		if n := len(l.codeText()); n > codeMost {
			t.Fatalf("the code holds %d bytes", n)
		}
	})
}

// Sizes sold by ASTM B280, as its table has them.
func TestTubesByInches(t *testing.T) {
	for mm, want := range map[float64]string{6.35: "1/4 in", 9.52: "3/8 in", 9.525: "3/8 in", 12.7: "1/2 in", 15.88: "5/8 in", 15.9: "5/8 in",
		19.05: "3/4 in", 22.22: "7/8 in", 28.58: "1 1/8 in", 34.92: "1 3/8 in", 41.28: "1 5/8 in", 25.4: "1 in", 10: "", 0: ""} {
		if got := inches(mm / 1e3); got != want {
			t.Errorf("%g mm: %q, want %q", mm, got, want)
		}
	}
}
