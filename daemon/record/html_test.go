package record

import (
	"bytes"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// paperOfEverything has each block once, with what could break out of a page.
func paperOfEverything() Document {
	at := time.Date(2026, 6, 17, 2, 0, 0, 0, time.UTC)
	return Document{
		Title: "Quayside Library <script>", Subject: "R-410A", Language: "en", Foot: "Quayside Library", Made: at,
		Blocks: []Block{
			Heading{Level: 1, Text: "Vacuum hold", ID: "vacuum-hold"},
			Paragraph{Tone: Result, State: "passed", Text: "Passed: 392 micron."},
			Paragraph{Tone: Caution, Text: `Pressure. <b>"&`},
			Facts{{"Limit", "500 micron"}},
			Table{Caption: "Figures", Columns: []Column{{Title: "What"}, {Title: "Value", Number: true}}, Rows: [][]string{{"peak", "392"}}},
			Curve{Title: "The gauge.", Unit: "micron", Log: true, Begin: at, End: at.Add(time.Hour), Describe: "From 300 to 392 micron.",
				Lines: []Line{{Name: "gauge <i>", Stretches: [][]Sample{{{at, 300}, {at.Add(time.Hour), 392}}}}}},
			photoOf([]byte{0xff, 0xd8}, `the "valves"`),
			Signature{Name: "Ana", Role: "technician", Signed: at, Strokes: [][]Dot{{{0.1, 0.2}, {0.3, 0.4}}, {{0.5, 0.5}}}},
			Break{},
		},
	}
}

// The page is whole by itself, has an element for every block, and lets nothing
// that somebody wrote become a part of the page.
func TestHTMLIsOnePage(t *testing.T) {
	var out, again bytes.Buffer
	if err := HTML(&out, paperOfEverything()); err != nil {
		t.Fatal(err)
	}
	if err := HTML(&again, paperOfEverything()); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(out.Bytes(), again.Bytes()) {
		t.Error("twice the same document, two pages")
	}
	doc, err := html.Parse(bytes.NewReader(out.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		count[n.Data]++
		for _, a := range n.Attr {
			outside := strings.Contains(a.Val, "://") && a.Key != "xmlns"
			if outside || strings.HasPrefix(a.Key, "on") {
				t.Errorf("<%s %s=%q> reaches outside the page", n.Data, a.Key, a.Val)
			}
			if a.Key == "src" && a.Val != "data:image/jpeg;base64,/9g=" {
				t.Errorf("the picture's source is %q", a.Val)
			}
		}
	}
	for what, want := range map[string]int{"h1": 1, "h2": 1, "script": 0, "b": 0, "i": 0, "table": 1, "caption": 1, "figure": 2, "img": 1, "dt": 1, "nav": 1, "link": 0} {
		if count[what] != want {
			t.Errorf("%d <%s>, want %d", count[what], what, want)
		}
	}
	for _, want := range []string{`<html lang="en">`, "M10 20L30 40M50 50l0 0", `<th scope="row">peak</th>`, `<td class="number">392</td>`, "As of <time", "M3 3L17 3L17 17L3 17L3 3"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the page lacks %s", want)
		}
	}
}

// photoOf is a photo that is in memory already.
func photoOf(body []byte, caption string) Picture {
	return Picture{Size: int64(len(body)), Read: func() ([]byte, error) { return body, nil }, Caption: caption}
}

// A page with more photos than a board has memory for keeps each of them, smaller.
func TestAPageOfManyPhotosIsBounded(t *testing.T) {
	img := image.NewGray(image.Rect(0, 0, 1200, 900))
	r := rand.New(rand.NewPCG(8, 8))
	for i := range img.Pix {
		img.Pix[i] = byte(r.Uint32())
	}
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	page := func(n int) (size, photos int) {
		t.Helper()
		var d Document
		for range n {
			d.Blocks = append(d.Blocks, photoOf(photo.Bytes(), "A flare"))
		}
		var out bytes.Buffer
		if err := HTML(&out, d); err != nil {
			t.Fatal(err)
		}
		return out.Len(), bytes.Count(out.Bytes(), []byte("data:image/jpeg;base64,"))
	}
	if size, n := page(2); n != 2 || size < 2*photo.Len()*4/3 {
		t.Errorf("two photos of %d bytes make %d bytes with %d of them", photo.Len(), size, n)
	}
	n := 3 * pageBudget / photo.Len()
	if size, shown := page(n); shown != n || size > pageBudget*4/3+200_000 {
		t.Errorf("%d photos of %d bytes make %d bytes with %d of them", n, photo.Len(), size, shown)
	}
}
