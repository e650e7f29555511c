// Package board shows many boxes from two things alone: what they tell the
// company's MQTT broker, and what they send to its time-series store. It reaches
// into no site's network, keeps nothing and writes nothing: after a restart it
// knows what the broker keeps retained.
//
// It trusts no box: a message is bounded in size and read by hand into what a
// page shows, a box has only so much room, and there are only so many boxes. Nor
// does it trust a box's clock: ages go by when a word arrived here, and what the
// box's clock said stands beside it.
package board

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/rules"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

// A box tells its clock every 10 s; four times that without a word is quiet.
const quietAfter = 45 * time.Second

// settle is how long after its first word of a new connection a box's older
// topics are kept that have not been told again: the broker gives what is retained at once.
const settle = 15 * time.Second

// The room of one box: what a hostile one can fill.
const (
	mostTopics = 1000
	mostBytes  = 512 << 10
	overhead   = 512 // of a topic, beside its payload
)

// Board hears brokers and knows boxes.
type Board struct {
	most    int // boxes
	log     *slog.Logger
	store   *store // nil: none
	now     func() time.Time
	hears   []*mqtt.Listener
	mu      sync.Mutex
	brokers []*brokerState
	boxes   map[boxKey]*box
	refused map[boxKey]bool // boxes there was no room for
	slots   map[chan struct{}]bool
}

type boxKey struct{ broker, box string }

type brokerState struct {
	name     string
	ok       bool
	sentence string
	since    time.Time
	epoch    int       // connections so far
	up       time.Time // of the newest
}

// box is what is known of one.
type box struct {
	key    boxKey
	topics map[string]*held
	bytes  int
	epoch  int       // of the broker's connection in which it was last told of
	first  time.Time // its first word in that

	online     bool
	stated     bool // the broker told a state
	off        time.Time
	heard      time.Time
	last       time.Time // by its own clock
	ahead      time.Duration
	clockHeard bool
	proven     bool
	about      *about
	latest     map[string]reading
	odd, cut   uint64
}

// held is what stands on one retained topic.
type held struct {
	message
	epoch, bytes int
}

// New makes a board. It touches nothing until Run.
func New(c Config, log *slog.Logger) (*Board, error) {
	b := &Board{most: c.Boxes, log: log, now: time.Now, boxes: map[boxKey]*box{}, refused: map[boxKey]bool{}, slots: map[chan struct{}]bool{}}
	if c.Store != nil {
		b.store = newStore(*c.Store)
		if err := b.store.secure(); err != nil {
			return nil, fmt.Errorf("store %s: ca_file: %w", c.Store.Name, err)
		}
	}
	for i, br := range c.Brokers {
		b.brokers = append(b.brokers, &brokerState{name: br.Name, sentence: fmt.Sprintf("Broker %s: not reached yet.", br.Name), since: b.now()})
		l, err := mqtt.NewListener(br.Name, br.Entry, mqtt.Hearing{
			Filter: "standwatch/+/#", Most: largest,
			Up:     func() { b.up(i) },
			Hear:   func(topic string, payload []byte, retained bool) { b.hear(i, topic, payload, retained) },
			Over:   func(topic string, _ int) { b.over(i, topic) },
			Status: func(ok bool, sentence string) { b.status(i, ok, sentence) },
		}, log)
		if err != nil {
			return nil, err
		}
		b.hears = append(b.hears, l)
	}
	return b, nil
}

// Run listens until ctx ends.
func (b *Board) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, l := range b.hears {
		wg.Go(func() { _ = l.Run(ctx) }) // it ends with ctx and for no other reason
	}
	if b.store != nil {
		wg.Go(func() { b.watchStore(ctx) })
	}
	wg.Wait()
	return nil
}

func (b *Board) watchStore(ctx context.Context) {
	for {
		if state, changed := b.store.look(ctx); changed {
			b.mu.Lock()
			b.log.Info("store", "store", state.Name, "ok", state.OK, "sentence", state.Sentence)
			b.changed()
			b.mu.Unlock()
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(storeLook):
		}
	}
}

func (b *Board) status(broker int, ok bool, sentence string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.brokers[broker]
	if s.ok != ok {
		s.since = b.now()
		b.log.Info("broker", "broker", s.name, "ok", ok, "sentence", sentence)
	}
	s.ok, s.sentence = ok, sentence
	b.changed()
}

// up begins a new connection: what is not told again in it no longer holds.
func (b *Board) up(broker int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.brokers[broker]
	s.epoch++
	s.up = b.now()
}

// over counts a message that was too large to be taken.
func (b *Board) over(broker int, topic string) {
	m, err := read(topic, nil)
	if err != nil {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if x := b.find(broker, m.box); x != nil {
		x.cut++
		b.changed()
	}
}

// find gives a box, a new one where there is room.
func (b *Board) find(broker int, name string) *box {
	key := boxKey{b.brokers[broker].name, name}
	x := b.boxes[key]
	switch {
	case x != nil:
	case len(b.boxes) >= b.most:
		if len(b.refused) < mostTopics {
			b.refused[key] = true
		}
		return nil
	default:
		x = &box{key: key, topics: map[string]*held{}, latest: map[string]reading{}}
		b.boxes[key] = x
	}
	if e := b.brokers[broker].epoch; x.epoch != e {
		x.epoch, x.first = e, b.now()
	}
	return x
}

// hear takes one message.
func (b *Board) hear(broker int, topic string, payload []byte, retained bool) {
	m, err := read(topic, payload) // outside the lock: it may take a while
	if err == errForeign {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if m.gone && b.boxes[boxKey{b.brokers[broker].name, m.box}] == nil {
		return // emptied, and never known
	}
	x := b.find(broker, m.box)
	if x == nil {
		return
	}
	defer b.changed()
	now := b.now()
	will := m.state == "offline" // which a broker may say for it
	if !retained && !will && !m.gone {
		x.heard = now
	}
	if err != nil {
		x.odd++
		return
	}
	if m.latest != nil {
		x.take(m.latest)
		return
	}
	if m.topic == "latest" {
		return // never retained
	}
	if !x.keep(m, len(topic)+len(payload)+overhead) {
		x.cut++
		return
	}
	switch {
	case m.state != "":
		if will && x.online || !x.stated {
			x.off = time.Time{}
			if will && !retained {
				x.off = now
			}
		}
		x.online, x.stated = !will, true
	case m.clock != nil:
		x.last, x.proven = m.clock.at, m.clock.proven
		if !retained {
			x.ahead, x.clockHeard = m.clock.at.Sub(now), true
		}
	case m.about != nil:
		x.about = m.about
	case m.gone && m.topic == "state":
		delete(b.boxes, x.key) // somebody has cleared it away
		clear(b.refused)
	}
}

// keep puts a message in place of what stood on its topic; false: no room.
func (x *box) keep(m message, bytes int) bool {
	was := x.topics[m.topic]
	old := 0
	if was != nil {
		old = was.bytes
	}
	if m.gone {
		delete(x.topics, m.topic)
		x.bytes -= old
		return true
	}
	if was == nil && len(x.topics) >= mostTopics || x.bytes-old+bytes > mostBytes {
		if was != nil { // what it says now cannot be kept, and what it said no longer holds
			delete(x.topics, m.topic)
			x.bytes -= old
		}
		return false
	}
	x.topics[m.topic] = &held{m, x.epoch, bytes}
	x.bytes += bytes - old
	return true
}

// take notes the newest readings.
func (x *box) take(rs []reading) {
	for _, r := range rs {
		if _, known := x.latest[r.point]; known || len(x.latest) < mostPoints {
			x.latest[r.point] = r
		}
	}
	if x.about == nil {
		return
	}
	for name := range x.latest { // a point that is gone
		if !x.about.named[name] {
			delete(x.latest, name)
		}
	}
}

// shown tells whether there is a box at all: one whose state somebody has
// emptied is cleared away, whatever else it left at the broker.
func (x *box) shown() bool { return x.topics["state"] != nil }

// prune drops what has not been told again since the connection began anew.
func (x *box) prune(now time.Time) {
	if now.Sub(x.first) < settle {
		return
	}
	for topic, h := range x.topics {
		if h.epoch < x.epoch {
			delete(x.topics, topic)
			x.bytes -= h.bytes
		}
	}
}

func (b *Board) changed() {
	for c := range b.slots {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// Watch returns a channel of one slot that gets a value when something has changed.
func (b *Board) Watch() (<-chan struct{}, func()) {
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

// Boxes are all that are known.
func (b *Board) Boxes() []web.Standing {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make([]web.Standing, 0, len(b.boxes))
	for _, x := range b.boxes {
		if x.shown() {
			all = append(all, b.standing(x, false))
		}
	}
	return all
}

// Box is one of them whole.
func (b *Board) Box(broker, name string) (web.Standing, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	x := b.boxes[boxKey{broker, name}]
	if x == nil || !x.shown() {
		return web.Standing{}, false
	}
	return b.standing(x, true), true
}

// Ways are the brokers and the store.
func (b *Board) Ways() []web.Device {
	b.mu.Lock()
	defer b.mu.Unlock()
	var ds []web.Device
	for _, s := range b.brokers {
		ds = append(ds, web.Device{Name: s.name, OK: s.ok, Sentence: s.sentence, Since: s.since})
	}
	if b.store != nil {
		ds = append(ds, b.store.state())
	}
	return ds
}

// Left is what there was no room for.
func (b *Board) Left() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := len(b.refused); n > 0 {
		return []string{fmt.Sprintf("%d more boxes tell the brokers how they stand than the %d that are shown. Set boxes higher in the board's file, or clear away what is no longer there.", n, b.most)}
	}
	return nil
}

// Curve reads the store.
func (b *Board) Curve(ctx context.Context, s web.Standing, point string, fromMs, toMs int64, most int) ([]journal.Sample, error) {
	if b.store == nil {
		return nil, web.ErrNoStore
	}
	for _, p := range s.Points {
		if p.Name == point {
			return b.store.curve(ctx, s.Name, p.Point, fromMs, toMs, most)
		}
	}
	return nil, fmt.Errorf("box %s has no point %q", s.Name, point)
}

func (b *Board) broker(name string) *brokerState {
	for _, s := range b.brokers {
		if s.name == name {
			return s
		}
	}
	return nil
}

func (b *Board) word(x *box, now time.Time) web.Word {
	s := b.broker(x.key.broker)
	switch {
	case !s.ok:
		return web.WordLost
	case x.stated && !x.online: // a broker that has forgotten it says nothing else
		return web.WordOffline
	case !x.heard.IsZero() && now.Sub(x.heard) < quietAfter:
		return web.WordLive
	case now.Sub(s.up) < quietAfter:
		return web.WordAwaited
	}
	return web.WordQuiet
}

// standing is a box as it last told.
func (b *Board) standing(x *box, whole bool) web.Standing {
	now := b.now()
	x.prune(now)
	s := web.Standing{Broker: x.key.broker, Name: x.key.box, Word: b.word(x, now), Heard: x.heard, Last: x.last, Off: x.off,
		Ahead: x.ahead, ClockHeard: x.clockHeard, Odd: x.odd, Cut: x.cut}
	s.BoxName, s.Zone, s.ClockProven = x.key.box, time.UTC, x.proven
	s.Wall = now
	if x.clockHeard {
		s.Wall = now.Add(x.ahead)
	}
	var points []sensors.Point
	if a := x.about; a != nil {
		s.Site.Name, s.Site.Systems, s.Zone, s.Demo = a.site, a.systems, a.zone, a.demo
		s.Version, s.URL, points = a.version, a.url, a.points
	}
	s.Wall = s.Wall.In(s.Zone)
	if s.Site.Name == "" {
		s.Site.Name = x.key.box
	}
	if len(s.Site.Systems) == 0 {
		s.Site.Systems = []rules.System{{}}
	}
	s.Running, s.Past = x.steps(s.Wall)
	s.Flags = x.flags(s.Running)
	for _, f := range s.Flags {
		s.Recent = append(s.Recent, web.Finding{Finding: f.Finding, Wall: f.Newest})
	}
	for _, p := range points {
		if !whole && !slices.ContainsFunc(s.Running, func(st web.Step) bool { return st.Outlook.Point == p.Name }) {
			continue
		}
		wp := web.Point{Point: p}
		if r, ok := x.latest[p.Name]; ok && p.Quantity.Plausible(r.value) {
			wp.Value, wp.Taken, wp.Heard = r.value, r.at, r.at
		}
		s.Points = append(s.Points, wp)
	}
	return s
}

// steps are those under way, the newest first, and those over of which a verdict is told.
func (x *box) steps(wall time.Time) (running, past []web.Step) {
	type name struct{ system, step string }
	at := map[name]int{}
	for _, topic := range slices.Sorted(maps.Keys(x.topics)) {
		s := x.topics[topic].step
		if s == nil {
			continue
		}
		o := rules.Outlook{Sentence: s.text, Point: s.point, Figure: s.figure, Quantity: s.quantity, HasFig: s.hasFigure, Limit: s.limit,
			Elapsed: s.elapsed, Lasts: s.lasts, Left: s.left, Sure: s.sure, Values: s.values}
		if gone := wall.Sub(s.told); o.Left > 0 && gone > 0 && !s.told.IsZero() {
			o.Left = max(o.Left-gone, 0)
		}
		at[name{s.system, s.name}] = len(running)
		running = append(running, web.Step{Step: rules.Step{System: s.system, Name: s.name, Begin: uint64(len(running) + 1)},
			Begun: s.begun, Outlook: o, FigureAt: s.figureAt})
	}
	over := map[name]int{}
	for _, topic := range slices.Sorted(maps.Keys(x.topics)) {
		v := x.topics[topic].verdict
		if v == nil {
			continue
		}
		n := name{v.System, v.Step}
		st := (*web.Step)(nil)
		if i, ok := at[n]; ok {
			st = &running[i]
		} else if i, ok := over[n]; ok {
			st = &past[i]
		} else {
			over[n] = len(past)
			past = append(past, web.Step{Step: rules.Step{System: v.System, Name: v.Step, Begin: uint64(mostTopics + len(past))}})
			st = &past[len(past)-1]
		}
		f := v.Finding
		f.Begin = st.Begin
		st.Verdicts = append(st.Verdicts, web.Finding{Finding: f, Wall: v.at})
		if st.Begin >= mostTopics && v.at.After(st.Ended) {
			st.Ended = v.at
		}
		if v.accepted && len(st.Accepted) == 0 {
			st.Accepted = []web.Said{{System: v.System, Step: v.Step, By: v.by, At: v.at}}
		}
	}
	slices.SortStableFunc(running, func(a, b web.Step) int { return b.Begun.Compare(a.Begun) })
	slices.SortStableFunc(past, func(a, b web.Step) int { return b.Ended.Compare(a.Ended) })
	return running, past
}

// flags are the open ones, the most urgent first, then the newest.
func (x *box) flags(running []web.Step) (fs []web.Flag) {
	for _, topic := range slices.Sorted(maps.Keys(x.topics)) {
		f := x.topics[topic].flag
		if f == nil {
			continue
		}
		found := f.Finding
		for _, st := range running {
			if st.System == found.System && st.Name == found.Step {
				found.Begin = st.Begin
			}
		}
		fs = append(fs, web.Flag{Flag: rules.Flag{Finding: found, Acknowledged: f.acknowledged, By: f.by}, Raised: f.first, Newest: f.at})
	}
	slices.SortStableFunc(fs, func(a, b web.Flag) int {
		return cmp.Or(cmp.Compare(b.Urgency, a.Urgency), b.Raised.Compare(a.Raised))
	})
	return fs
}
