package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// fakeFleet is a few invented sites, each one of the invented nights.
type fakeFleet struct {
	boxes  []Standing
	curves map[string]*fakeBox
	away   bool // the store
	*fakeBox
}

func newFakeFleet() *fakeFleet {
	f := &fakeFleet{curves: map[string]*fakeBox{}, fakeBox: newFakeBox("hold")}
	now := f.snap.Wall
	add := func(scene, name, site string, change func(*Standing)) {
		box := newFakeBox(scene)
		s := Standing{Broker: "company", Name: name, Snapshot: box.Now(), Word: WordLive, Heard: now.Add(-4 * time.Second), Last: now, ClockHeard: true, Version: "v0"}
		s.Site.Name, s.BoxName = site, name
		for i := range s.Running {
			s.Running[i].Trend, s.Running[i].Ledger, s.Running[i].Expected = nil, nil, nil
		}
		s.Marks, s.Devices, s.Outward = nil, nil, nil
		change(&s)
		f.boxes, f.curves[name] = append(f.boxes, s), box
	}
	add("hold", "quayside", "Quayside Library", func(s *Standing) { s.URL = "https://quayside.example.org" })
	add("weigh", "harbour", "Harbour Baths", func(s *Standing) {
		s.Ahead = 3 * time.Minute
		s.Flags = append(s.Flags, Flag{Flag: rules.Flag{Finding: rules.Finding{Edge: rules.Raised, Flag: "scale-silent", Step: "weigh-in", Subject: "scale",
			Urgency: rules.Wake, Text: "Scale silent for 60 s at 9.40 of 14.20 kg. What flows now is not weighed. Close the cylinder valve or wake the scale."}},
			Raised: now.Add(-time.Minute), Newest: now.Add(-time.Minute)})
	})
	add("idle", "mill", "Old Mill School", func(s *Standing) { s.Word, s.Off, s.Odd, s.Flags = WordOffline, now.Add(-26*time.Minute), 3, nil })
	add("old", "observatory", "Hillside Observatory", func(s *Standing) { s.Word, s.Heard, s.Flags = WordQuiet, now.Add(-7*time.Minute), nil })
	add("rooms", "granary", "Granary Offices", func(s *Standing) { s.ClockProven, s.Flags = false, nil })
	add("empty", "tram", "Tram Depot <b>&amp;</b>", func(s *Standing) {
		s.Word, s.Heard, s.Last, s.ClockHeard = WordAwaited, time.Time{}, time.Time{}, false
	})
	return f
}

func (f *fakeFleet) Boxes() []Standing { return f.boxes }

func (f *fakeFleet) Box(broker, name string) (Standing, bool) {
	for _, s := range f.boxes {
		if s.Broker == broker && s.Name == name {
			return s, true
		}
	}
	return Standing{}, false
}

func (f *fakeFleet) Ways() []Device {
	return []Device{{Name: "company", OK: true, Sentence: "Broker company: connected."},
		{Name: "store", OK: !f.away, Sentence: "Store store: does not answer. Curves are missing; how the boxes stand is not, it comes from the brokers.", Since: f.snap.Wall.Add(-time.Hour)}}
}

func (f *fakeFleet) Left() []string { return nil }

func (f *fakeFleet) Curve(ctx context.Context, s Standing, point string, from, to int64, most int) ([]journal.Sample, error) {
	if f.away {
		return nil, errors.New("store store: does not answer at http://store.example.org: connection refused")
	}
	return f.curves[s.Name].Curve(ctx, point, from, to, most)
}

func (f *fakeFleet) board() *board {
	b := newBoard(BoardConfig{Name: "Service desk", Zone: zone}, f, nil, asPrinted)
	b.now = func() time.Time { return f.Now().Wall }
	return b
}

func TestBoardShowsTheWorstFirst(t *testing.T) {
	f := newFakeFleet()
	h := f.board().handler()
	resp, text := visit(t, h, "GET", "/", nil)
	if resp.StatusCode != 200 {
		t.Fatalf("%d\n%s", resp.StatusCode, text)
	}
	at := -1
	for _, site := range []string{"Harbour Baths", "Hillside Observatory", "Old Mill School", "Granary Offices"} {
		i := strings.Index(text, site)
		if i < at || i < 0 {
			t.Errorf("%s stands at %d, after %d", site, i, at)
		}
		at = i
	}
	for _, want := range []string{"its clock is 3 min ahead", "offline for 26 min", "not heard for 7 min", "waiting for its first word", "Scale silent", "Tram Depot &lt;b&gt;&amp;amp;&lt;/b&gt;"} {
		if !strings.Contains(text, want) {
			t.Errorf("the list does not say %q", want)
		}
	}
	for query, want := range map[string][]string{ // what is there, and what is not
		"/?q=harbour": {"Harbour Baths", "Quayside Library"}, "/?q=vacuum+hold": {"Quayside Library", "Harbour Baths"},
		"/?show=away": {"Old Mill School", "Quayside Library"}, "/?show=open": {"Harbour Baths", "Tram Depot"}, "/?q=nothing+like+it": {"No box is like that", "Harbour Baths"},
	} {
		if _, text := visit(t, h, "GET", query, nil); !strings.Contains(text, want[0]) || strings.Contains(text, want[1]) {
			t.Errorf("%s has not %q, or has %q", query, want[0], want[1])
		}
	}
}

func TestBoardShowsOneBox(t *testing.T) {
	f := newFakeFleet()
	h := f.board().handler()
	for _, s := range f.boxes {
		resp, text := visit(t, h, "GET", boxURL(s), nil)
		if resp.StatusCode != 200 || !strings.Contains(text, "</html>") {
			t.Errorf("%s: %d\n%s", s.Name, resp.StatusCode, text)
		}
		if strings.Contains(text, "<form method=\"post\" action=\"/marks\"") || strings.Contains(text, `href="/points`) || strings.Contains(text, `href="/steps`) {
			t.Errorf("%s: the page has what only a box can do:\n%s", s.Name, text)
		}
	}
	_, text := visit(t, h, "GET", "/boxes/company/quayside?point=gauge&hours=12", nil)
	for _, want := range []string{"Vacuum hold", `class="limit"`, "gauge, the last 12 h", `href="https://quayside.example.org"`, "This board only looks"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page of a box has no %q", want)
		}
	}
	if !regexp.MustCompile(`\b12 Mar 2026 \d\d:\d\d:\d\d`).MatchString(text) { // by the catalogue's months, as everywhere
		t.Error("the box's clock is not said as other moments are")
	}
	if resp, _ := visit(t, h, "GET", "/boxes/company/nobody", nil); resp.StatusCode != 404 {
		t.Errorf("a box that nobody knows: %d", resp.StatusCode)
	}
	for path, status := range map[string]int{"/curve?broker=company&box=quayside&point=gauge&hours=4": 200, "/curve?broker=company&box=quayside&step=vacuum-hold&system=": 200,
		"/curve?broker=company&box=quayside&point=gauge&hours=9999": 400, "/curve?broker=company&box=quayside&point=no": 404, "/curve?broker=company&box=no&point=gauge&hours=4": 404} {
		if resp, text := visit(t, h, "GET", path, nil); resp.StatusCode != status {
			t.Errorf("%s: %d\n%s", path, resp.StatusCode, text)
		}
	}
	f.away = true
	if _, text := visit(t, h, "GET", "/boxes/company/quayside?point=gauge", nil); strings.Count(text, "does not answer") != 2 || strings.Contains(text, `<svg class="curve"`) {
		t.Errorf("without its store the page says %d times that it does not answer", strings.Count(text, "does not answer"))
	}
	if resp, _ := visit(t, h, "GET", "/curve?broker=company&box=quayside&point=gauge&hours=4", nil); resp.StatusCode != 502 {
		t.Errorf("a curve without a store: %d", resp.StatusCode)
	}
	if _, text := visit(t, h, "GET", "/", nil); !strings.Contains(text, "Curves are missing") {
		t.Error("the list does not say that the store is away")
	}
}

// An instrument of a box that is not heard may be as well as ever: it is not
// called silent, which is what the box says of one that it does not hear itself.
func TestBoardDoesNotCallSilentWhatItDoesNotHear(t *testing.T) {
	for word, want := range map[Word]string{WordLost: "not heard here for 5 min", WordOffline: "not heard here for 5 min", WordLive: "silent for 5 min"} {
		f := newFakeFleet()
		s := &f.boxes[0]
		s.Word, s.Points = word, slices.Clone(s.Points)
		s.Points[0].Heard, s.Points[0].Taken = s.Wall.Add(-5*time.Minute), s.Wall.Add(-5*time.Minute)
		if _, text := visit(t, f.board().handler(), "GET", boxURL(*s), nil); strings.Contains(text, "silent for 5 min") != (word == WordLive) || !strings.Contains(text, want) {
			t.Errorf("%s: the page does not say %q, or calls the point silent", word, want)
		}
	}
}

// A box tells its figures each 10 s: a gauge that is read each second, whose longest
// silence is 10 s, is not silent for that, neither in the list nor on the box's page.
func TestBoardAllowsForTheWayOfAWord(t *testing.T) {
	f := newFakeFleet()
	f.boxes = f.boxes[:1]
	s := &f.boxes[0]
	s.Running, s.Points = slices.Clone(s.Running), slices.Clone(s.Points)
	for age, old := range map[time.Duration]bool{13 * time.Second: false, 26 * time.Second: true} {
		for i := range s.Running {
			s.Running[i].FigureAt = s.Wall.Add(-age)
		}
		for i := range s.Points {
			s.Points[i].Every, s.Points[i].SilentAfter = time.Second, 10*time.Second
			s.Points[i].Heard, s.Points[i].Taken = s.Wall.Add(-age), s.Wall.Add(-age)
		}
		h := f.board().handler()
		_, list := visit(t, h, "GET", "/", nil)
		_, page := visit(t, h, "GET", boxURL(*s), nil)
		said := fmt.Sprintf("silent for %.0f s", age.Seconds())
		if in, on := strings.Contains(list, `<span class="much old">`), strings.Contains(page, said); in != old || on != old {
			t.Errorf("%s after the last reading: old in the list %v, silent on the page %v", age, in, on)
		}
	}
}

// A figure in the list looks old where its instrument has fallen silent, though the box is heard.
func TestBoardListShowsAnOldFigureAsOld(t *testing.T) {
	f := newFakeFleet()
	f.boxes = f.boxes[:1]
	const old = `<span class="much old">`
	if _, text := visit(t, f.board().handler(), "GET", "/", nil); strings.Contains(text, old) || !strings.Contains(text, `<span class="much">`) {
		t.Error("a fresh figure is shown as old, or not at all")
	}
	s := &f.boxes[0]
	s.Running = slices.Clone(s.Running)
	for i := range s.Running {
		s.Running[i].FigureAt = s.Wall.Add(-5 * time.Minute)
	}
	s.Points = slices.Clone(s.Points)
	for i := range s.Points {
		s.Points[i].Heard, s.Points[i].Taken = s.Wall.Add(-5*time.Minute), s.Wall.Add(-5*time.Minute)
	}
	if _, text := visit(t, f.board().handler(), "GET", "/", nil); !strings.Contains(text, old) {
		t.Error("a figure of 5 min ago is shown as one of now")
	}
}

// What somebody has in hand comes after what nobody has, and after boxes that are gone.
func TestBoardSortsByWhatNobodyHasInHand(t *testing.T) {
	f := newFakeFleet()
	wake := f.boxes[1].Flags
	held := slices.Clone(wake)
	for i := range held {
		held[i].Acknowledged, held[i].By = true, "Ines"
	}
	f.boxes[1].Flags, f.boxes[4].Flags = held, wake // harbour's in hand, granary's not
	b := f.board()
	rows := map[string]boxRow{}
	for _, s := range f.boxes {
		r := b.row(s, asMeasured, false)
		rows[r.Site] = r
	}
	if r := rows["Harbour Baths"]; r.rank != rankTaken || r.Urgency != "taken" || r.UrgencyWord != "" || !strings.Contains(r.Flags[0], "acknowledged") || r.in("open") {
		t.Errorf("in hand: %+v", r)
	}
	if r := rows["Granary Offices"]; r.rank != rankWake || r.Urgency != "wake" || !r.in("open") {
		t.Errorf("not in hand: %+v", r)
	}
	if r := rows["Old Mill School"]; r.rank != rankAway || !r.in("away") {
		t.Errorf("gone: %+v", r)
	}
}

// A page lists so many boxes and says where the others are.
func TestBoardPagesThroughManyBoxes(t *testing.T) {
	f := newFakeFleet()
	f.boxes = f.boxes[:1]
	for i := range 119 {
		s := f.boxes[0]
		s.Name = fmt.Sprintf("box-%03d", i)
		s.Site.Name = fmt.Sprintf("Site %03d", i)
		f.boxes = append(f.boxes, s)
	}
	h := f.board().handler()
	seen := 0
	for page, n := "/", 0; page != ""; n++ {
		_, text := visit(t, h, "GET", page, nil)
		seen += strings.Count(text, `class="boxrow`)
		page = ""
		if i := strings.Index(text, `href="/?from=`); i >= 0 {
			for _, part := range strings.Split(text, `href="`) {
				if target, rest, _ := strings.Cut(part, `"`); strings.HasPrefix(target, "/?from=") && strings.Contains(rest[:min(len(rest), 20)], "More") {
					page = target
				}
			}
		}
		if n > 5 {
			t.Fatal("there is always one more page")
		}
	}
	if seen != 120 {
		t.Errorf("%d boxes on all pages", seen)
	}
}

// Rows are renewed one by one while the same stand in the same order.
func TestBoardRenewsWhatHasChanged(t *testing.T) {
	f := newFakeFleet()
	b := f.board()
	r, err := http.NewRequest("GET", "/stream?page=boxes", nil)
	if err != nil {
		t.Fatal(err)
	}
	sent := map[string]string{}
	first, err := b.listParts(r, sent, false)
	if err != nil || first.Parts["boxlist"] == "" {
		t.Fatalf("%v: %v", err, first.Parts)
	}
	for i := range f.boxes[0].Running {
		f.boxes[0].Running[i].Outlook.Sentence = "Another sentence."
	}
	second, err := b.listParts(r, sent, false)
	if err != nil || len(second.Parts) != 1 {
		t.Fatalf("%v: %d parts, want one row: %v", err, len(second.Parts), second.Parts)
	}
	for part, text := range second.Parts {
		if !strings.HasPrefix(part, "row-") || !strings.Contains(text, "Another sentence.") {
			t.Errorf("%s: %s", part, text)
		}
	}
	f.boxes[4].Flags = f.boxes[1].Flags // it moves up
	third, err := b.listParts(r, sent, false)
	if err != nil || third.Parts["boxlist"] == "" {
		t.Fatalf("%v: %v", err, third.Parts)
	}
	for part := range third.Parts {
		if strings.HasPrefix(part, "row-") {
			t.Errorf("%s is sent beside the whole list", part)
		}
	}
}

// A board's page must not break for whatever a box may tell.
func TestBoardEmptyBox(t *testing.T) {
	f := &fakeFleet{fakeBox: newFakeBox("empty"), curves: map[string]*fakeBox{"bare": newFakeBox("empty")}}
	s := Standing{Broker: "a b/c", Name: "bare", Word: WordLost}
	s.Running = []Step{{Step: rules.Step{Name: "no-such-step"}, Outlook: rules.Outlook{Point: "none", Quantity: sensors.Vacuum, HasFig: true, Limit: &rules.Setting{Value: -1}}}}
	s.Past = []Step{{Step: rules.Step{Name: "another"}, Verdicts: []Finding{{Finding: rules.Finding{Result: "passed"}}}}}
	s.Flags = []Flag{{Flag: rules.Flag{Finding: rules.Finding{Flag: "odd-one", Urgency: rules.Tell}}}}
	s.Points = []Point{{Point: sensors.Point{Name: "p"}}}
	f.boxes = []Standing{s}
	h := f.board().handler()
	for _, page := range []string{"/", boxURL(s), boxURL(s) + "?point=p", "/nothing", "/door"} {
		if resp, text := visit(t, h, "GET", page, nil); resp.StatusCode >= 500 || !strings.Contains(text, "</html>") {
			t.Errorf("%s: %d %s", page, resp.StatusCode, text)
		}
	}
}
