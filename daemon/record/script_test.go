package record

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/text/unicode/norm"
)

var update = flag.Bool("update-paper", false, "write the golden papers of testdata/record anew")

// The examples of UAX 9 (revision 50, "Reordering Resolved Levels", L2), where
// capital letters stand for letters that run from right to left, and cases of
// W2, W4, W5, N0 and L4 that follow from those rules by hand.
func TestReorder(t *testing.T) {
	hebrew := func(s string) string { // capitals as Hebrew letters
		return strings.Map(func(r rune) rune {
			if r >= 'A' && r <= 'Z' {
				return 'א' + r - 'A'
			}
			return r
		}, s)
	}
	latin := func(s string) string {
		return strings.Map(func(r rune) rune {
			if r >= 'א' && r <= 'א'+25 {
				return 'A' + r - 'א'
			}
			return r
		}, s)
	}
	for _, c := range []struct{ in, want string }{
		{"car means CAR.", "car means RAC."},
		{"CAR MEANS car.", ".car SNAEM RAC"},
		{"he said CAR MEANS car in english", "he said SNAEM RAC car in english"},
		{"ROOM 12 OK", "KO 12 MOOR"},
		{"to ROOM 12.5 kg", "to 12.5 MOOR kg"},
		{"R 5% OK", "KO 5% R"},
		{"A (B) c", "c (B) A"},
		{"A (b) C", "C (b) A"},
		{"x (A) y", "x (A) y"},
		{"plain text", "plain text"},
	} {
		rs := []rune(hebrew(c.in))
		if got := latin(string(reorder(rs, rightToLeft(rs)))); got != c.want {
			t.Errorf("%q is seen as %q, want %q", c.in, got, c.want)
		}
	}
}

// How the letters of Arabic join is common knowledge of its writing; the
// characters are those of the Unicode charts U+FE70 to U+FEFF.
func TestJoinArabic(t *testing.T) {
	all := func(rune) bool { return true }
	for _, c := range []struct{ in, want string }{
		{"محمد", "ﻣﺤﻤﺪ"}, // first, amid, amid, last
		{"دار", "ﺩﺍﺭ"},   // none of these joins what follows
		{"سلام", "ﺳﻼﻡ"},  // lam and alef are one
		{"لا", "ﻻ"},      //
		{"بَيت", "ﺑَﻴﺖ"}, // a vowel sign does not part letters
		{"ab", "ab"},     //
	} {
		if got := string(joinArabic([]rune(c.in), all)); got != c.want {
			t.Errorf("%q becomes %+q, want %+q", c.in, got, c.want)
		}
		if got := norm.NFKC.String(string(joinArabic([]rune(c.in), all))); got != norm.NFKC.String(c.in) {
			t.Errorf("%q is no longer the same word: %q", c.in, got)
		}
	}
	if got := string(joinArabic([]rune("محمد"), func(r rune) bool { return r < 0xfb50 })); got != "محمد" {
		t.Errorf("without forms in the font the letters must stay: %+q", got)
	}
}

// Latin, Greek and Cyrillic need no font of the machine.
func TestNamesAnywhere(t *testing.T) {
	p := A4
	p.Fonts = nil
	names := []string{"Zoë Näslund", "Łukasz Żółć", "Νίκος Καζαντζής", "Дмитро Коваль", "Ђорђе Ћирић", "Nguyễn Thị Ánh"}
	text := textOf(t, drawPDF(t, Document{Title: "Names", Language: "en", Made: time.Unix(0, 0).UTC(), Blocks: []Block{Paragraph{Text: strings.Join(names, "; ")}}}, p))
	for _, name := range names {
		if !strings.Contains(text, name) {
			t.Errorf("%q is not found in %q", name, text)
		}
	}
	if strings.Contains(text, "could not be printed") || strings.Contains(text, "[U+") {
		t.Errorf("characters are said to be missing: %q", text)
	}
}

// Arabic and Chinese print where a font is installed, as deploy/needs paper
// does; where none is, the paper says which characters it lacks.
func TestOtherScripts(t *testing.T) {
	d := Document{Title: "Names", Language: "en", Made: time.Unix(0, 0).UTC(), Blocks: []Block{
		Facts{{"Technician", "محمد سلام"}, {"Owner", "王小明"}, {"Room", "機房 12"}}}}
	text := norm.NFKC.String(textOf(t, drawPDF(t, d, A4)))
	if strings.Contains(text, "[U+") || strings.Contains(text, "could not be printed") {
		t.Errorf("with fonts that have them characters are missing: deploy/needs paper installs such fonts\n%s", text)
	}
	for _, want := range []string{"محمد", "سلام", "王小明", "機房 12"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not found in %q", want, text)
		}
	}

	bare := A4
	bare.Fonts = []string{t.TempDir()}
	// pdftotext takes a hyphen at a line's end for one that parts a word.
	text = strings.ReplaceAll(strings.Join(strings.Fields(textOf(t, drawPDF(t, d, bare))), " "), "-", "")
	for _, want := range []string{"[U+738B][U+5C0F][U+660E]", "U+738B (Chinese)", "U+0645 (Arabic)", "fontsdroidfallback", "fontsdejavucore"} {
		if !strings.Contains(text, want) {
			t.Errorf("without fonts the paper does not say %q: %q", want, text)
		}
	}
}

// A torn font of the machine costs its characters, never the record.
func TestTornFont(t *testing.T) {
	whole, err := os.ReadFile("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
	if err != nil {
		t.Fatalf("%v; deploy/needs paper installs it", err)
	}
	d := Document{Title: "Names", Language: "en", Made: time.Unix(0, 0).UTC(), Blocks: []Block{Paragraph{Text: "ქართული"}}}
	for _, cut := range []int{0, 3, 40, 300, 5000, len(whole) / 2, len(whole) - 10} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "torn.ttf"), whole[:cut], 0o666); err != nil {
			t.Fatal(err)
		}
		p := A4
		p.Fonts = []string{dir}
		if text := textOf(t, drawPDF(t, d, p)); !strings.Contains(text, "U+10E5 (Georgian)") {
			t.Errorf("cut at %d: the paper does not say what it lacks: %q", cut, text)
		}
	}
	for at := 0; at < 400; at += 19 { // a byte of its head or of its list of tables
		bad := bytes.Clone(whole)
		bad[at] ^= 0xff
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "bad.ttf"), bad, 0o666); err != nil {
			t.Fatal(err)
		}
		p := A4
		p.Fonts = []string{dir}
		if pdf := drawPDF(t, d, p); !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Error("no PDF")
		}
	}
}

// The very bytes, on each machine and architecture: the check runs this on
// emulated ARM too. -update-paper writes what is drawn now; look at the pages
// before you keep it.
func TestGoldenPaper(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	for _, p := range []Paper{A4, Letter} {
		p.Fonts = nil
		pdf := drawPDF(t, everyBlock(t), p)
		file := filepath.Join(dir, "every-block-"+strings.ToLower(p.Name)+".sha256")
		got := fmt.Sprintf("%x\n", sha256.Sum256(pdf))
		if *update {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got != string(want) {
			kept := filepath.Join(os.TempDir(), "every-block-"+p.Name+".pdf")
			if err := os.WriteFile(kept, pdf, 0o666); err != nil {
				t.Log(err)
			}
			t.Errorf("%s is not what %s says; what was drawn is in %s", p.Name, file, kept)
		}
	}
}

func FuzzPDF(f *testing.F) {
	f.Add("Quayside Library", "a-very-long-word-"+strings.Repeat("x", 300), uint8(3), uint8(40))
	f.Add("\xff\x00\t\n", "العربية 12 (x)", uint8(0), uint8(200))
	f.Add("हिन्दी 😀 é́́", "\u200f\u202e)(][", uint8(255), uint8(1))
	f.Fuzz(func(t *testing.T, a, b string, n, m uint8) {
		if len(a)+len(b) > 4000 {
			return
		}
		d := Document{Title: a, Subject: b, Language: "en", Foot: b, Made: time.Unix(int64(n), 0).UTC(), Blocks: []Block{
			Heading{Level: int(n) - 3, Text: b}, Paragraph{Tone: Tone(n % 5), State: a, Text: strings.Repeat(b+" ", int(m%9))}, Facts{{a, b}, {b, a}},
			Signature{Name: a, Role: b, Strokes: [][]Dot{{{float64(n), float64(m)}}, nil}}, photoOf([]byte(a), b), Break{}, Break{},
		}}
		table := Table{Caption: a}
		for i := range int(n % 20) {
			table.Columns = append(table.Columns, Column{Title: b, Number: i%2 == 0, Wide: i%3 == 0})
		}
		for range m % 50 {
			table.Rows = append(table.Rows, []string{a, b, a + b})
		}
		d.Blocks = append(d.Blocks, table)
		p := Letter
		p.Fonts = nil
		drawPDF(t, d, p)
	})
}
