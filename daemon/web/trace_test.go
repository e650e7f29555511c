package web

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// traced asks for the figures of an address.
func traced(t *testing.T, h http.Handler, query string) traceAnswer {
	t.Helper()
	r, text := visit(t, h, "GET", "/trace/data?"+query, nil)
	var d traceAnswer
	if err := json.Unmarshal([]byte(text), &d); r.StatusCode != http.StatusOK || err != nil {
		t.Fatalf("%s: %d, %v: %.200s", query, r.StatusCode, err, text)
	}
	return d
}

// traceAnswer is what the page's script reads.
type traceAnswer struct {
	From, To, Width, Now int64
	Span, List, Table    string
	Steps, Flags         []traceBar
	Lines                []struct {
		Point, Unit string
		Chart       int
		T           []int64
		Y, Low      []*float64
		Gaps        []traceGap
		Limits      []traceLimit
		Other       *twinUnit
		Words       []string
	}
}

func TestTraceTellsGapsLimitsStepsAndFlags(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	d := traced(t, h, "points=gauge,scale,ambient,iu01-supply,iu01-return,indoor-power&for=2h")
	var charts []int
	for _, l := range d.Lines {
		charts = append(charts, l.Chart)
		if len(l.T) != len(l.Y) || len(l.T) == 0 && l.Point != "indoor-power" {
			t.Errorf("%s has %d times and %d values", l.Point, len(l.T), len(l.Y))
		}
	}
	if !slices.Equal(charts, []int{0, 1, 2, 2, 2, 3}) {
		t.Errorf("the charts are %v: each unit has its own", charts)
	}
	gauge := d.Lines[0]
	gap := holdBegun.Add(9*time.Minute + 20*time.Second).UnixMilli()
	if n := slices.IndexFunc(gauge.Y, func(y *float64) bool { return y == nil }); n < 0 {
		t.Error("the gauge's gap is bridged")
	}
	if len(gauge.Gaps) != 1 || abs(gauge.Gaps[0].From-gap) > 20_000 || gauge.Gaps[0].To-gauge.Gaps[0].From < 100_000 {
		t.Errorf("the gauge's gaps are %+v, want the two minutes from %d", gauge.Gaps, gap)
	}
	if len(gauge.Limits) != 1 || math.Abs(gauge.Limits[0].At-500) > 0.01 || gauge.Limits[0].Side != "above" || gauge.Limits[0].From != holdBegun.UnixMilli() {
		t.Errorf("the gauge's limits are %+v, want 500 micron since the hold began", gauge.Limits)
	}
	if v := 500*gauge.Other.Scale + gauge.Other.Offset; gauge.Unit != "micron" || math.Abs(v-66.66) > 0.01 { // NIST SP 811: 1 micron is 0.133322 Pa
		t.Errorf("500 %s are %v %s", gauge.Unit, v, gauge.Other.Unit)
	}
	if ret := d.Lines[4]; len(ret.Gaps) == 0 || ret.Gaps[len(ret.Gaps)-1].To < d.To-1000 {
		t.Errorf("iu01-return has been silent for 23 min, and its gaps are %+v", ret.Gaps)
	}
	var titles []string
	for _, b := range slices.Concat(d.Steps, d.Flags) {
		titles = append(titles, b.Title)
	}
	if got := strings.Join(titles, ", "); got != "Preheat, Evacuation, Vacuum hold, Point silent, Vacuum rising" {
		t.Errorf("what happened is %s", got)
	}
	if rising := d.Flags[1]; rising.Open || rising.To-rising.From != (7*time.Minute).Milliseconds() {
		t.Errorf("the flag that was cleared is %+v, want seven minutes", rising)
	}
	if !strings.Contains(d.Table, "micron") || !strings.Contains(d.List, "Vacuum rising") || !strings.Contains(d.Span, "2 h") {
		t.Errorf("the words are %q %q %.80q", d.Span, d.List, d.Table)
	}
}

func TestFiveLinesAreTwoCharts(t *testing.T) {
	p := sensors.Point{Quantity: sensors.Temperature}
	if got := chartsOf(asMeasured, []sensors.Point{p, p, {Quantity: sensors.Mass}, p, p, p}); !slices.Equal(got, []int{0, 0, 1, 0, 0, 2}) {
		t.Errorf("the charts are %v", got)
	}
}

func TestWhatIsOverIsNotSentAgain(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	path := "/trace/data?points=gauge&from=2026-03-12T01:00&to=2026-03-12T02:00"
	ask := func(tag string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "http://127.0.0.1:8090"+path, nil)
		r.RemoteAddr = "127.0.0.1:4000"
		r.Header.Set("If-None-Match", tag)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	first := ask("")
	tag := first.Header().Get("ETag")
	if first.Code != http.StatusOK || tag == "" {
		t.Fatalf("%d, mark %q", first.Code, tag)
	}
	if again := ask(tag); again.Code != http.StatusNotModified || again.Body.Len() != 0 {
		t.Errorf("the second time it is %d with %d bytes", again.Code, again.Body.Len())
	}
	if other := ask(`"other"`); other.Code != http.StatusOK {
		t.Errorf("with another mark it is %d", other.Code)
	}
}

// slowBox waits until whoever asked has gone away.
type slowBox struct {
	Box
	asked, left chan struct{}
}

func (b *slowBox) Columns(ctx context.Context, _ []string, _, _ int64, _ int) (journal.Columns, error) {
	b.asked <- struct{}{}
	<-ctx.Done()
	close(b.left)
	return journal.Columns{}, ctx.Err()
}

func TestReadingStopsWhenNobodyWaits(t *testing.T) {
	fake := newFakeBox("hold")
	s := fake.screens()
	b := &slowBox{fake, make(chan struct{}), make(chan struct{})}
	s.box = b
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		r := httptest.NewRequest("GET", "http://127.0.0.1:8090/trace/data?points=gauge", nil).WithContext(ctx)
		r.RemoteAddr = "127.0.0.1:4000"
		s.traceFigures(httptest.NewRecorder(), r)
	}()
	<-b.asked
	cancel()
	<-b.left
	<-done
}

func TestTraceRefusesWhatItCannotShow(t *testing.T) {
	h := newFakeBox("hold").screens().handler()
	for query, want := range map[string]int{
		"points=gauge": 200, "points=gauge&points=scale&points=": 200, "points=gauge&from=2026-03-12T01:00": 200, "": 200,
		"points=nobody": 400, "points=gauge&from=yesterday": 400, "points=gauge&from=10&to=5": 400, "points=gauge&from=-5": 400,
		"points=gauge&for=9700h": 400, "points=gauge&for=1ms": 400, "points=gauge&from=1&to=9999999999999": 400, "points=gauge&to=99999999999999999": 400,
		"points=gauge&most=1000000": 200, "points=gauge&most=-3": 200, "points=gauge&beside=noon": 400, "points=gauge&from=NaN": 400,
	} {
		for _, page := range []string{"/trace", "/trace/data"} {
			if r, text := visit(t, h, "GET", page+"?"+query, nil); r.StatusCode != want {
				t.Errorf("%s?%s: %d, want %d: %.300s", page, query, r.StatusCode, want, text)
			}
		}
	}
}

func TestTraceMovesThroughTheTime(t *testing.T) {
	now := midnight.Add(3 * time.Hour).UnixMilli()
	const hour = 3_600_000
	over := traceAsk{From: now - 4*hour, To: now - 2*hour}
	live := traceAsk{From: now - 2*hour, To: now, Live: true}
	for _, c := range []struct {
		a        traceAsk
		how      string
		from, to int64 // hours before now
		live     bool
	}{
		{over, "earlier", 5, 3, false}, {over, "later", 3, 1, false}, {over, "wider", 5, 1, false},
		{live, "earlier", 3, 1, false}, {live, "later", 2, 0, true}, {live, "closer", 1, 0, true}, {live, "wider", 4, 0, true},
	} {
		got := c.a.moved(c.how, now)
		if got.From != now-c.from*hour || got.To != now-c.to*hour || got.Live != c.live {
			t.Errorf("%s: %d to %d, live %v, want %d h to %d h before", c.how, (now-got.From)/hour, (now-got.To)/hour, got.Live, c.from, c.to)
		}
	}
	beside := traceAsk{From: now - 4*hour, To: now - 2*hour, Beside: now - 28*hour}
	if got := beside.moved("earlier", now); got.From-got.Beside != 24*hour {
		t.Errorf("what lies beside has moved to %d h", (got.From-got.Beside)/hour)
	}
	for clock, want := range map[string]string{"03:25": "11 18:00 to 12 03:25", "12:00": "11 18:00 to 12 08:00", "18:00": "12 18:00 to 12 18:00", "23:59": "12 18:00 to 12 23:59"} {
		at, err := time.ParseInLocation("2006-01-02 15:04", "2026-03-12 "+clock, zone)
		if err != nil {
			t.Fatal(err)
		}
		from, to, _ := night(at)
		if got := from.Format("2 15:04") + " to " + to.Format("2 15:04"); got != want {
			t.Errorf("at %s the night is %s, want %s", clock, got, want)
		}
	}
}

// Two columns are joined by a line only where nothing is missing between them.
func TestATraceNeverBridgesAGap(t *testing.T) {
	s := newFakeBox("idle").screens()
	snap := s.box.Now()
	p := sensors.Point{Name: "x", Quantity: sensors.Temperature, Unit: "C", Every: time.Second}
	const width = 60_000
	at := func(i int64, n, bad int) journal.Column {
		c := journal.Column{WallMs: 1_000_000_000_000 + i*width + width/2, Count: n, Bad: bad, Mean: 20, Low: 19, High: 21}
		if n == 0 {
			c.Worst = sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonCRC}
		}
		return c
	}
	a := traceAsk{From: 1_000_000_000_000, To: 1_000_000_000_000 + 20*width}
	l := s.traceLine(snap, asMeasured, p, a, []journal.Column{at(3, 60, 0), at(4, 60, 0), at(8, 60, 0), at(9, 0, 60), at(10, 30, 30)}, width*time.Millisecond)
	var drawn []string
	for _, v := range l.Mean.values {
		if math.IsNaN(v) {
			drawn = append(drawn, "-")
		} else {
			drawn = append(drawn, "x")
		}
	}
	if got := strings.Join(drawn, ""); got != "xx-x-x" {
		t.Errorf("the line is %s, want xx-x-x", got)
	}
	var gaps [][2]int64
	for _, g := range l.Gaps {
		gaps = append(gaps, [2]int64{(g.From - a.From) / width, (g.To - a.From) / width})
	}
	if want := [][2]int64{{0, 3}, {5, 8}, {9, 10}, {11, 20}}; !slices.Equal(gaps, want) {
		t.Errorf("the gaps are %v, want %v", gaps, want)
	}
	if l.Gaps[2].Why != "check sum wrong, look at the cable" {
		t.Errorf("the gap of failed readings says %q", l.Gaps[2].Why)
	}
}

func TestFlagBars(t *testing.T) {
	fake := newFakeBox("idle")
	w := fake.snap.Wall
	edge := func(id int64, e rules.Edge, u rules.Urgency, subject string, ago time.Duration) Finding {
		return Finding{rules.Finding{Edge: e, Flag: "scale-silent", Subject: subject, Urgency: u, Points: []string{"scale"}, Text: subject}, id, w.Add(-ago)}
	}
	fake.snap.Recent = []Finding{
		edge(7, rules.Raised, rules.Tell, "c", 10*time.Minute),
		edge(6, rules.Cleared, rules.Wake, "a", 20*time.Minute),
		edge(5, rules.Raised, rules.Wake, "a", 29*time.Minute),
		edge(4, rules.Raised, rules.Tell, "a", 30*time.Minute),
		edge(3, rules.Cleared, rules.Tell, "b", 40*time.Minute),
	}
	fake.snap.Flags = []Flag{{Flag: rules.Flag{Finding: fake.snap.Recent[0].Finding}, Raised: w.Add(-10 * time.Minute)},
		{Flag: rules.Flag{Finding: edge(1, rules.Raised, rules.Tell, "d", 0).Finding}, Raised: w.Add(-90 * time.Minute)}}
	s := fake.screens()
	a := traceAsk{From: w.Add(-time.Hour).UnixMilli(), To: w.UnixMilli(), Points: []sensors.Point{fake.snap.Points[1].Point}}
	type bar struct {
		text     string
		from, to int // min before now
		open     bool
		wakes    bool
	}
	var got []bar
	ago := func(ms int64) int { return int(w.Sub(time.UnixMilli(ms)).Minutes()) }
	for _, b := range s.traceBars(t.Context(), fake.snap, a).Flags {
		got = append(got, bar{b.Text, ago(b.From), ago(b.To), b.Open, b.Wakes})
	}
	want := []bar{{"d", 90, 0, true, false}, {"b", 60, 40, false, false}, {"a", 30, 20, false, true}, {"c", 10, 0, true, false}}
	if !slices.Equal(got, want) {
		t.Errorf("the bars are %v, want %v", got, want)
	}
	a.Points = nil
	if bars := s.traceBars(t.Context(), fake.snap, a).Flags; len(bars) != 1 || !bars[0].Wakes {
		t.Errorf("with other points %v is shown, want what wakes only", bars)
	}
}

// Figures are written short and read back as they were, to one digit more than is shown.
func TestFiguresAreWrittenShort(t *testing.T) {
	for digits, want := range map[int]string{-1: `[66.6612,null,0,-0.001,101325]`, 0: `[66.7,null,0,0,101325]`, 1: `[66.66,null,0,0,101325]`, 2: `[66.661,null,0,-0.001,101325]`} {
		got, err := json.Marshal(figures{[]float64{66.6612, math.NaN(), 0, -0.001, 101325}, digits})
		if err != nil || string(got) != want {
			t.Errorf("%d digits: %s (%v), want %s", digits, got, err, want)
		}
	}
}

func FuzzTraceAddress(f *testing.F) {
	for _, q := range []string{"points=gauge,scale&for=1h", "points=gauge&from=2026-03-12T01:00&to=2026-03-12T02:00:30&beside=1773260000000", "from=1&to=2", "find=a+b&points=,,", "for=-1h", "from=9999999999999"} {
		f.Add(q)
	}
	s := newFakeBox("hold").screens()
	snap := s.box.Now()
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		a, refused := s.traceAsk(q, snap)
		if refused != "" {
			if s.words.say(refused) == refused {
				t.Errorf("%q is refused without words: %s", query, refused)
			}
			return
		}
		if span := a.To - a.From; span < leastSpan.Milliseconds() || span > mostSpan.Milliseconds() || len(a.Points) > mostLines {
			t.Errorf("%q is taken as %+v", query, a)
		}
		// What the page calls itself means the same again.
		u, err := url.Parse(a.address())
		if err != nil {
			t.Fatal(err)
		}
		b, refused := s.traceAsk(u.Query(), snap)
		a.Find = ""
		if refused != "" || b.names() != a.names() || b.Live != a.Live || b.Slides != a.Slides || b.Beside != a.Beside || abs(b.From-a.From) > 1000 || !a.Live && b.To != a.To {
			t.Errorf("%q is %+v, and its address %s is %+v (%s)", query, a, a.address(), b, refused)
		}
		for _, how := range []string{"earlier", "later", "closer", "wider"} {
			if m := a.moved(how, snap.Wall.UnixMilli()); m.To <= m.From {
				t.Errorf("%q moved %s is %+v", query, how, m)
			}
		}
	})
}
