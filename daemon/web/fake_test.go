package web

import (
	"context"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"net"
	"os"
	"os/signal"
	"slices"
	"sync"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// go test ./daemon/web -args -serve 127.0.0.1:8099 shows the pages over an
// invented night, without the rest of the box; -scene chooses which.
var (
	serveAt = flag.String("serve", "", "show the pages at this address instead of testing")
	scene   = flag.String("scene", "hold", "which invented night: hold, weigh, leaking, break, drawn-in, answered, three, idle, empty, old, board")
	viewed  = flag.String("as", "", "who looks: technician, viewer, link, stranger, or unclaimed; empty: a box without people")
)

func TestMain(m *testing.M) {
	flag.Parse()
	if *serveAt == "" {
		os.Exit(m.Run())
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	ln, err := net.Listen("tcp", *serveAt)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, nil))
	box := newFakeBox(*scene)
	h := box.screens(WithLog(log), WithPhones(newFakePhones())).handler()
	if *viewed != "" {
		dir, err := os.MkdirTemp("", "standwatch-pages-")
		if err != nil {
			panic(err)
		}
		defer os.RemoveAll(dir)
		g, err := newGuarded(*scene, dir, WithLog(log))
		if err == nil && *viewed != "unclaimed" {
			err = g.settle()
		}
		if err != nil {
			panic(err)
		}
		box, h = g.night, g.as(g.handler(), *viewed)
	}
	if *scene == "board" {
		f := newFakeFleet()
		box, h = f.fakeBox, f.board().handler()
	}
	go box.run(ctx)
	if err := Serve(ctx, ln, h, log); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

var zone = time.FixedZone("Europe/Lisbon", 0)

// midnight of an invented night; the site does not exist.
var midnight = time.Date(2026, 3, 12, 0, 0, 0, 0, zone)

// fakeBox plays an invented night to the screens.
type fakeBox struct {
	mu      sync.Mutex
	snap    Snapshot
	told    []rules.Told
	tellErr error
	older   []Finding // newest first
	findErr error

	photos   map[string][]byte
	photoErr error
	slots    map[chan struct{}]bool
	curve    map[string]func(t time.Time) float64
	gap      [2]time.Time
}

// printed is what all boxes have alike, made once for the hundreds of the tests.
var printed = sync.OnceValue(func() *screens { return newScreens(Config{}, nil) })

func asPrinted(s *screens) { s.assets, s.languages = printed().assets, printed().languages }

func (b *fakeBox) screens(opts ...Option) *screens {
	s := newScreens(Config{Listen: "127.0.0.1:8090"}, b, append([]Option{asPrinted, WithLinks(&fakeLinks{box: b, state: "open"}), WithKeeper(&fakeKeeper{}), WithPapers(fakePapers{}), WithVisits(&fakeVisits{}), WithCopies(newFakeCopies())}, opts...)...)
	s.order = usualOrder
	return s
}

// fakeLinks has made one link.
type fakeLinks struct {
	box   *fakeBox
	state string
	by    string
}

func (l *fakeLinks) Look(_ context.Context, id int64, until time.Duration, key string) (Link, bool, error) {
	f := rules.Finding{Flag: "scale-silent", Subject: "scale", Step: "weigh-in", Urgency: rules.Wake, Text: "Scale silent for 60 s."}
	return Link{Finding: f, State: l.state, By: l.by, When: midnight}, id == 7 && until == 90*time.Second && key == "secret", nil
}

func (l *fakeLinks) Use(ctx context.Context, id int64, until time.Duration, key, by string) (Link, bool, error) {
	link, ok, err := l.Look(ctx, id, until, key)
	if ok && l.state == "open" {
		if err := l.box.Tell(ctx, rules.Told{Kind: "mark", Name: "acknowledged", Note: "scale-silent scale", By: by}); err != nil {
			return link, ok, err
		}
		l.state, l.by = "acknowledged", by
	}
	link.State, link.By = l.state, l.by
	return link, ok, err
}

// the steps of the contract, in the usual order
var usualOrder = []string{"take-off", "pressure-test", "evacuation", "vacuum-hold", "draw-in", "preheat", "unit-count",
	"weigh-in", "trial-run", "cooling-check", "heating-check", "branch-check", "mixed-run", "hand-over"}

func (b *fakeBox) Now() Snapshot {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.snap
}

func (b *fakeBox) Watch() (<-chan struct{}, func()) {
	c := make(chan struct{}, 1)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.slots[c] = true
	return c, func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.slots, c)
	}
}

func (b *fakeBox) change(f func(*Snapshot)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.snap)
	for c := range b.slots {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

func (b *fakeBox) Tell(ctx context.Context, ts ...rules.Told) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	if b.tellErr != nil {
		return b.tellErr
	}
	b.told = append(b.told, ts...)
	return nil
}

func (b *fakeBox) Findings(_ context.Context, before int64, most int) (fs []Finding, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.findErr != nil {
		return nil, b.findErr
	}
	for _, f := range b.older {
		if f.ID < before && len(fs) < most {
			fs = append(fs, f)
		}
	}
	return fs, nil
}

func (b *fakeBox) KeepPhoto(picture []byte) (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.photoErr != nil {
		return "", b.photoErr
	}
	name := fmt.Sprintf("%x", sha256.Sum256(picture))
	b.photos[name] = picture
	return name, nil
}

func (b *fakeBox) Photo(_ context.Context, name string) ([]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.photos[name], b.photoErr
}

func (b *fakeBox) Curve(_ context.Context, point string, from, to int64, most int) ([]journal.Sample, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f, ok := b.curve[point]
	if !ok {
		return nil, errors.New("no such point")
	}
	p, _ := b.snap.point(point)
	end := min(to, p.Taken.UnixMilli())
	step := max(p.Every.Milliseconds(), (to-from)/int64(most))
	var ss []journal.Sample
	for ms := from; ms <= end; ms += step {
		t := time.UnixMilli(ms)
		if t.After(b.gap[0]) && t.Before(b.gap[1]) {
			continue
		}
		v := f(t)
		ss = append(ss, journal.Sample{WallMs: ms, Value: v, Low: v * 0.985, High: v * 1.015})
	}
	return ss, nil
}

// Columns gathers the invented readings.
func (b *fakeBox) Columns(ctx context.Context, points []string, from, to int64, most int) (journal.Columns, error) {
	width := max(time.Second, time.Duration((to-from)/int64(most))*time.Millisecond).Round(time.Second)
	out := journal.Columns{Width: width}
	for _, point := range points {
		var cs []journal.Column
		ss, err := b.Curve(ctx, point, max(from, midnight.Add(-30*time.Hour).UnixMilli()), to, most)
		if err != nil {
			return out, err
		}
		p, _ := b.snap.point(point)
		every := max(p.Every, time.Second)
		for _, s := range ss {
			c := journal.Column{WallMs: s.WallMs + width.Milliseconds()/2, Mean: s.Value, Low: s.Low, High: s.High, Count: int(max(1, width/every))}
			if p.Health.Grade == sensors.Failed && s.WallMs > p.Taken.Add(-40*time.Minute).UnixMilli() {
				c = journal.Column{WallMs: c.WallMs, Bad: c.Count, Worst: p.Health}
			}
			cs = append(cs, c)
		}
		out.Points = append(out.Points, cs)
	}
	return out, nil
}

// run lets the invented night go on, a second a second.
func (b *fakeBox) run(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			b.tick(*scene)
		}
	}
}

// tick is one second of the invented night.
func (b *fakeBox) tick(scene string) {
	b.change(func(s *Snapshot) {
		s.Wall = s.Wall.Add(time.Second)
		if scene == "old" {
			return
		}
		s.KeptAt = s.Wall
		s.Points = slices.Clone(s.Points) // whoever asked before holds the old ones
		for i := range s.Points {
			if i < 4 && (scene != "weigh" || s.Points[i].Name != "scale") { // whose silence lasts
				s.Points[i].Taken, s.Points[i].Heard = s.Wall, s.Wall
			}
		}
		if scene == "hold" {
			s.Running = b.holding(*s)
		}
		if scene == "weigh" { // a judge renews its sentence as the time goes on
			s.Running = slices.Clone(s.Running)
			s.Running[0].Outlook.Sentence = weighsUnheard(s.Wall.Sub(s.Running[0].FigureAt))
		}
	})
}

func weighsUnheard(silent time.Duration) string {
	return fmt.Sprintf("Weigh-in, 9.40 of 14.20 kg (20 lb 12 oz of 31 lb 5 oz). The scale was last heard %.0f s ago: what flows now is not weighed.", silent.Seconds())
}

func micronPa(v float64) float64 { return v * 101325 / 760 / 1000 }

var holdBegun = midnight.Add(3*time.Hour + 2*time.Minute)

// moist is a hold with water in it: 250 micron rising towards 420, with a gauge's noise.
func moist(t time.Time) float64 {
	m := t.Sub(holdBegun).Minutes()
	if m < 0 { // the pump still draws
		return micronPa(250 + 700_000*math.Exp(-max(m+242, 0)/18))
	}
	noise := 1 + 0.012*math.Sin(t.Sub(midnight).Seconds()*1.7) + 0.008*math.Sin(t.Sub(midnight).Seconds()/7)
	return micronPa((250 + 170*(1-math.Exp(-m/20))) * noise)
}

func (b *fakeBox) holding(s Snapshot) []Step {
	limits := map[string]rules.Setting{"limit": {Value: micronPa(500), Text: "500 micron", Source: "site file", Given: true},
		"lasts": {Value: 3600, Text: "1h", Source: "site file", Given: true}}
	limit := limits["limit"]
	elapsed := s.Wall.Sub(holdBegun)
	fig := moist(s.Wall)
	st := Step{Step: rules.Step{Name: "vacuum-hold", Begin: 9, Limits: limits}, Begun: holdBegun, FigureAt: s.Points[0].Taken,
		Outlook: rules.Outlook{
			Sentence: fmt.Sprintf("Vacuum hold, %d of 60 min. %.0f micron and levelling off: looks dry and tight so far.",
				int(elapsed.Minutes()), fig/micronPa(1)),
			Point: "gauge", Figure: fig, Quantity: sensors.Vacuum, HasFig: true, Limit: &limit,
			Elapsed: elapsed, Lasts: time.Hour, Left: time.Hour - elapsed, Sure: "likely"}}
	for m := 5.0; m <= 60; m += 2.5 {
		best := micronPa(250 + 170*(1-math.Exp(-m/20)))
		wide := 0.01 + max(0, m-elapsed.Minutes())*0.004
		st.Trend = append(st.Trend, TrendPoint{holdBegun.Add(time.Duration(m * float64(time.Minute))).UnixMilli(), best * (1 - wide), best, best * (1 + wide)})
	}
	preheat := Step{Step: rules.Step{Name: "preheat", Begin: 4}, Begun: midnight.Add(-90 * time.Minute),
		Outlook: rules.Outlook{Sentence: "Preheat, 4 h 50 min of 6 h. Sump 14.5 K over the outdoor air.", Lasts: 6 * time.Hour, Left: 70 * time.Minute}}
	return []Step{preheat, st}
}

// weighBegun is when the weigh-in begins; a draw-in has brought 3.19 kg before.
var weighBegun = midnight.Add(2*time.Hour + 43*time.Minute + 20*time.Second)

// gross is what the scale shows: 0.16 kg a minute leave a cylinder for 20 min,
// it is lifted off, and two minutes later another one stands there.
func gross(t time.Time) float64 {
	switch m := t.Sub(weighBegun).Minutes(); {
	case m < 0:
		return 10
	case m <= 20:
		return 10 - 0.16*m
	case m < 22:
		return 0
	default:
		return 24 - 0.16*(m-22)
	}
}

func newFakeBox(scene string) *fakeBox {
	now := midnight.Add(3*time.Hour + 25*time.Minute + 20*time.Second)
	b := &fakeBox{slots: map[chan struct{}]bool{}, photos: map[string][]byte{}, curve: map[string]func(time.Time) float64{
		"gauge": moist, "scale": gross,
		"ambient": func(t time.Time) float64 { return 11.5 + math.Sin(t.Sub(midnight).Hours()) },
	}}
	for _, p := range []string{"barometer", "iu01-supply", "iu01-return", "ou1-sump", "indoor-power"} {
		b.curve[p] = func(t time.Time) float64 { return 20 }
	}
	points := []sensors.Point{
		{Name: "gauge", Quantity: sensors.Vacuum, Role: "vacuum-gauge", Unit: "micron", Every: time.Second, Source: "mqtt"},
		{Name: "scale", Quantity: sensors.Mass, Role: "charging-scale", Unit: "kg", Every: 2 * time.Second, SilentAfter: 10 * time.Second, Source: "mqtt"},
		{Name: "ambient", Quantity: sensors.Temperature, Role: "outdoor-air", Unit: "C", Every: 10 * time.Second, Source: "onewire"},
		{Name: "barometer", Quantity: sensors.AbsolutePressure, Role: "barometer", Unit: "hPa", Every: time.Minute, Source: "mqtt"},
		{Name: "ou1-sump", Quantity: sensors.Temperature, Role: "oil-sump", Unit: "C", Every: 10 * time.Second, Source: "onewire"},
		{Name: "iu01-supply", Quantity: sensors.Temperature, Role: "supply-air", Unit: "C", Every: 10 * time.Second, Source: "mqtt"},
		{Name: "iu01-return", Quantity: sensors.Temperature, Role: "return-air", Unit: "C", Every: 10 * time.Second, Source: "mqtt"},
		{Name: "indoor-power", Quantity: sensors.Contact, Role: "indoor-power", Every: time.Minute, Source: "mqtt"},
	}
	values := []float64{moist(now), 21, 11.5, 101640, 26.1, 13.2, 24.0, 0}
	s := Snapshot{BoxName: "quayside-1", Zone: zone, Wall: now, ClockProven: true, Demo: true,
		Site: rules.Site{Name: "Quayside Library", Systems: []rules.System{{Refrigerant: "R-410A",
			Units: []rules.Unit{{Name: "iu01", Room: "Reading room"}, {Name: "iu02", Room: "Map store"}}}}, Points: points},
		Kept: 184203, KeptAt: now, Signs: "21fe 31df a154 a261 626b f854 046f d227 1b7b ed4b 6abe 45aa 5887 7ef4 7f97 21b9"}
	for i, p := range points {
		s.Points = append(s.Points, Point{Point: p, Value: values[i], Taken: now, Heard: now, Count: 12000})
	}
	s.Points[4].Health, s.Points[4].Value, s.Points[4].Bad = sensors.Health{Grade: sensors.Failed, Reason: sensors.ReasonCRC}, 0, 3
	s.Points[5].Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}
	s.Points[6].Taken, s.Points[6].Heard = now.Add(-23*time.Minute), now.Add(-23*time.Minute)
	s.Points[7].Taken, s.Points[7].Heard = time.Time{}, time.Time{}
	s.Devices = []Device{{"site broker", true, "connected", now.Add(-5 * time.Hour)},
		{"pipe bus", false, "The 1-Wire bus does not answer. Look at its plug; the box tries again every 30 s.", now.Add(-4 * time.Minute)}}
	s.Outward = []journal.FollowerState{
		{Name: "uplink", Sentence: "No network. 4,210 readings wait and will follow by themselves.", Waiting: 4210, Quarantined: 2, LastDone: now.Add(-40 * time.Minute)},
		{Name: "outbox", OK: true, Sentence: "up to date", LastDone: now.Add(-23 * time.Minute)}}
	s.Past = []Step{
		{Step: rules.Step{Name: "evacuation", Begin: 6}, Begun: midnight.Add(-60 * time.Minute), Ended: holdBegun},
		{Step: rules.Step{Name: "pressure-test", Begin: 2}, Begun: midnight.Add(-30 * time.Hour), Ended: midnight.Add(-2 * time.Hour),
			Verdicts: []Finding{{Wall: midnight.Add(-2 * time.Hour), Finding: rules.Finding{Edge: rules.Given, Flag: "pressure-test", Step: "pressure-test", Result: rules.Passed, Cause: "none",
				Text: "Pressure test passed: 3.79 MPa held for 24 h, 2 kPa change after the temperature is taken out.", Values: []rules.Value{{Key: "start_pa", Number: 3.792e6}, {Key: "compensated_change_pa", Number: -2100}, {Key: "elapsed_s", Number: 86400}}}}}}}
	silent := rules.Finding{Edge: rules.Raised, Flag: "point-silent", Subject: "iu01-return", Urgency: rules.Tell, Points: []string{"iu01-return"},
		Text:   "iu01-return silent for 23 min; last 24.0 °C. What it measures is not seen. Look at its battery, or bring it nearer.",
		Values: []rules.Value{{Key: "silent_s", Number: 60}}}
	failed := rules.Finding{Edge: rules.Raised, Flag: "point-failed", Subject: "ou1-sump", Urgency: rules.Note, Points: []string{"ou1-sump"},
		Text: "ou1-sump gives no value: check sum wrong. Look at the cable."}
	s.Flags = []Flag{{Flag: rules.Flag{Finding: silent}, Raised: now.Add(-22 * time.Minute)},
		{Flag: rules.Flag{Finding: failed, Acknowledged: true, By: "Ines"}, Raised: now.Add(-4 * time.Minute)}}
	rising := rules.Finding{Edge: rules.Cleared, Flag: "vacuum-rising", Step: "vacuum-hold", Begin: 9, Urgency: rules.Tell, Text: "The rise is levelling off below the limit."}
	raised := rising
	raised.Edge, raised.Text = rules.Raised, "Vacuum will pass 500 micron in about 30 min at this rate. Look for water or a leak before the hold's end."
	raised.Values = []rules.Value{{Key: "limit_pa", Number: 66.66}, {Key: "rise_pa_per_s", Number: 0.0147}}
	s.Recent = []Finding{{failed, 12, now.Add(-4 * time.Minute)}, {rising, 11, now.Add(-9 * time.Minute)}, {raised, 10, now.Add(-16 * time.Minute)},
		{silent, 8, now.Add(-22 * time.Minute)}, {s.Past[1].Verdicts[0].Finding, 3, midnight.Add(-2 * time.Hour)}}
	switch scene {
	case "hold":
		s.Running = b.holding(s)
		b.gap = [2]time.Time{now.Add(-14 * time.Minute), now.Add(-12 * time.Minute)}
	case "old":
		s.Running = b.holding(s)
		s.Wall = now.Add(4 * time.Minute)
	case "weigh":
		s.Running = []Step{weighing(s, now)}
		wake := rules.Finding{Edge: rules.Raised, Flag: "scale-silent", Step: "weigh-in", Begin: 21, Subject: "scale", Urgency: rules.Wake, Points: []string{"scale"},
			Text:   "Scale silent for 60 s at 9.40 of 14.20 kg. What flows now is not weighed. Close the cylinder valve or wake the scale.",
			Values: []rules.Value{{Key: "charged_kg", Number: 9.4}, {Key: "target_kg", Number: 14.2}, {Key: "silent_s", Number: 60}}}
		s.Flags = append([]Flag{{Flag: rules.Flag{Finding: wake}, Raised: now.Add(-12 * time.Second)}}, s.Flags...)
		s.Recent = append([]Finding{{wake, 30, now.Add(-12 * time.Second)}}, s.Recent...)
		s.Points[1].Taken, s.Points[1].Heard = now.Add(-72*time.Second), now.Add(-72*time.Second)
	case "take-off":
		s.Running = []Step{takingOff(now)}
		s.Site.Systems[0].FactoryKg, s.Site.Systems[0].ExtraKg, s.Site.Systems[0].CoilsM3 = 19.6, 1.2, 0.018
		s.Site.Systems[0].RoomLimitKgM3, s.Site.Systems[0].Units[0].RoomM3 = 0.44, 80
	case "rooms":
		s.Site.Systems[0].Units = rooms(24)
		s.Running = []Step{cooling(now, s.Site.Systems[0].Units)}
		s.Site.Points = append(slices.Clone(s.Site.Points), sensors.Point{Name: "probe-supply", Role: "supply-air"}, sensors.Point{Name: "probe-return", Role: "return-air"}) // carried
		b.curve["iu01-supply"] = func(t time.Time) float64 { return 13.2 + 6.8*math.Exp(-t.Sub(now.Add(-70*time.Minute)).Minutes()/9) }
	case "count":
		s.Site.Systems[0].Units = rooms(5)
		s.Site.Systems[0].Branches, s.Site.Systems[0].Outdoor = []string{"bu1"}, []string{"ou1"}
		s.Running = []Step{{Step: rules.Step{Name: "unit-count", Begin: 30}, Begun: now.Add(-6 * time.Minute), Outlook: rules.Outlook{Left: -1,
			Sentence: "Unit count: 3 of 5 indoor units found; iu03 and iu05 not yet."}}}
		sheet := rules.NewAddressSheet(s.Site.Systems[0])
		for _, m := range []rules.Told{{Name: "unit-found", Note: "iu01 address 1 model A"}, {Name: "unit-found", Note: "iu02 address 2 model A note above the lift"}, {Name: "unit-found", Note: "iu04 address 4"},
			{Name: "counted", Value: 4, Unit: "1", Note: "indoor"}, {Name: "setting", Note: "iu02 setting 12 from 0 to 3"}, {Name: "unit-found", Note: "iu09 address 9"}} {
			m.Kind = "mark"
			sheet.Tell(&m)
		}
		s.Sheets = map[string]rules.AddressSheet{"": *sheet}
	case "branches":
		s.Site.Systems[0].Units = rooms(16)
		s.Running = []Step{branching(now, s.Site.Systems[0].Units)}
	case "leaking":
		b.leaking(&s, now)
	case "break":
		b.breaking(&s, now)
	case "drawn-in":
		b.drawnIn(&s, now)
	case "answered":
		b.answered(&s, now)
	case "idle":
		s.Flags = nil
	case "checks":
		b.checking(&s, now)
	case "three":
		threeSystems(&s, now)
	case "empty":
		s = Snapshot{BoxName: "box", Zone: time.UTC, Wall: now, Site: rules.Site{Name: "New site", Systems: []rules.System{{}}}}
	}
	b.snap = s
	return b
}

// heardAgain bridges the silence of the weigh-in.
func (b *fakeBox) heardAgain() {
	b.change(func(s *Snapshot) {
		st := s.Running[0]
		st.Ledger = slices.Clone(st.Ledger)
		n := len(st.Ledger) - 1
		st.Ledger[n].Segment.Ended = rules.EndedSilence
		silent := rules.Segment{Scale: "scale", Cylinder: 2, FromKg: 20.99, ToKg: 20.99, BestKg: 0.19, HighKg: 0.24, Unseen: true}
		st.Ledger = append(st.Ledger, Segment{silent, st.Ledger[n].Ended, s.Wall})
		st.Outlook.Figure, st.FigureAt = 9.59, s.Wall
		s.Running = []Step{st}
	})
}

// takingOff is the field guide's worked examples 1 and 2, all rows entered, and a slip.
func takingOff(now time.Time) Step {
	st := Step{Step: rules.Step{Name: "take-off", Begin: 5}, Begun: now.Add(-42 * time.Minute), FigureAt: now}
	for _, row := range [][]string{
		{"a", "liquid", "3/8 in", "62 m", "", "0.048 kg/m"}, {"b", "liquid", "1/2 in", "38.5 m", "", "0.094 kg/m"},
		{"c", "liquid", "5/8 in", "24 m", "", "0.152 kg/m"}, {"d", "liquid", "3/4 in", "15.5 m", "", "0.228 kg/m"},
		{"a", "suction", "5/8 in", "62 m", "", ""}, {"b", "suction", "3/4 in", "38.5 m", "", ""},
		{"c", "suction", "7/8 in", "24 m", "", ""}, {"d", "suction", "1-1/8 in", "15.5 m", "", ""},
	} {
		told := rules.RowMark("", row, false)
		st.Entered.Tell(&told, "")
	}
	return st
}

// weighing is a weigh-in whose scale is silent: while that lasts, a judge says the charge
// as it was last weighed. What flowed unseen stands in the ledger when the scale is heard again.
func weighing(s Snapshot, now time.Time) Step {
	target := rules.Setting{Value: 14.2, Text: "14.2 kg", Source: "site file", Given: true}
	first := rules.Segment{Scale: "scale", Cylinder: 1, FromKg: 10, ToKg: 6.8, LowKg: 3.195, BestKg: 3.2, HighKg: 3.205, Ended: rules.EndedSwap}
	lifted := rules.Segment{Scale: "scale", Cylinder: 1, FromKg: 6.8, HighKg: 0.02, Ended: rules.EndedSwap, Unseen: true}
	second := rules.Segment{Scale: "scale", Cylinder: 2, FromKg: 24, ToKg: 20.99, LowKg: 3, BestKg: 3.01, HighKg: 3.02}
	return Step{Step: rules.Step{Name: "weigh-in", Begin: 21, Limits: map[string]rules.Setting{"target": target}}, Begun: weighBegun,
		FigureAt: now.Add(-72 * time.Second),
		Ledger: []Segment{{Segment: rules.Segment{LowKg: 3.17, BestKg: 3.19, HighKg: 3.21, Ended: rules.EndedStep}, Begun: weighBegun, Ended: weighBegun},
			{first, weighBegun, weighBegun.Add(20 * time.Minute)}, {lifted, weighBegun.Add(20 * time.Minute), weighBegun.Add(22 * time.Minute)},
			{second, weighBegun.Add(22 * time.Minute), now.Add(-72 * time.Second)}},
		Outlook: rules.Outlook{Sentence: weighsUnheard(72 * time.Second),
			Point: "scale", Figure: 9.40, Quantity: sensors.Mass, HasFig: true, Limit: &target, Left: -1, Elapsed: 42 * time.Minute}}
}
