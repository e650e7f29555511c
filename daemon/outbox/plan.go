package outbox

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"standwatch/daemon/clock"
	"standwatch/daemon/journal"
	"standwatch/rules"
)

// This file decides what is to be sent next, and to whom: a plain computation
// on a state that is plain data. It reads no clock and sends nothing.

// When a wake is called again, after the first call to somebody, until a person
// has acknowledged it; with the last of these calls the next person hears of it
// for the first time. When all have been called so often, everybody is called
// each everyone, for as long as it takes.
var gaps = [...]time.Duration{0, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute}

const everyone = 15 * time.Minute

// Our choices.
const (
	stormOf   = 5                // messages a minute to a person; what is more becomes one
	stormIn   = time.Minute      //
	holdOff   = 10 * time.Second // a silent point waits so long for its neighbours
	holdMore  = time.Minute      // and so long when some of them have been told of already
	flapOf    = 3                // raised and cleared so often ...
	flapIn    = 10 * time.Minute // ... within this long is flapping
	steadyFor = 10 * time.Minute // until it has not changed for so long
	quietLook = time.Minute      // in quiet hours it is seen so often whether they are over
)

// callAfter says when the k'th call of a wake is due after the first one, and
// to which of so many people; below nought: to everybody.
func callAfter(k, people int) (after time.Duration, who int) {
	last := gaps[len(gaps)-1]
	if k < people*len(gaps) {
		who = k / len(gaps)
		return time.Duration(who)*last + gaps[k%len(gaps)], who
	}
	return time.Duration(people)*last + time.Duration(k-people*len(gaps)+1)*everyone, -1
}

// causes are the flags that follow from another one: while that is open on the
// same points (or the same system) nobody is told of them. A wake is never kept
// from anybody.
var causes = []struct {
	flag   string
	of     []string
	system bool // the same system will do
}{
	{"point-failed", []string{"point-silent"}, false},
	{"split-poor", []string{"point-silent", "point-failed"}, false},
	{"superheat-off", []string{"point-silent", "point-failed"}, false},
	{"subcooling-off", []string{"point-silent", "point-failed"}, false},
	{"line-heat-loss", []string{"point-silent", "point-failed"}, false},
	{"heater-unproven", []string{"point-silent", "point-failed"}, false},
	{"preheat-broken", []string{"point-silent", "point-failed"}, false},
	{"vacuum-stalled", []string{"point-silent", "point-failed"}, false},
	{"unit-missing", []string{"point-silent", "point-failed"}, false},
	{"charge-uncertain", []string{"scale-silent"}, true},
	{"charging-too-fast", []string{"scale-silent"}, true},
	{"cylinder-low", []string{"scale-silent"}, true},
	{"flow-stopped", []string{"scale-silent"}, true},
	{"charge-near-target", []string{"scale-silent"}, true},
}

// state is what the outbox remembers, as it lies on the shelf.
type state struct {
	T         time.Duration // its own clock: time since its first start, so far as the box can prove it
	At        clock.Moment  // when that was
	Marks     uint64        // acknowledgements read up to
	Next      int64         // the next message's place in its queue
	Audiences []*audience
}

// audience is who is told on his own account: the people of the watch, or a
// destination that nobody's rota names.
type audience struct {
	Path  string // the destination; empty: the watch
	Read  int64  // findings read up to
	Open  []*opened
	Tells []*tell
	Flaps []*flap
	Sent  []sent
}

// opened is a raised flag that somebody is, or is to be, told of.
type opened struct {
	journal.Stored // the newest raising edge
	Told           rules.Urgency
	Begun          time.Duration // when the first call was due
	Who            []string      // whom to call, in order
	Nobody         bool          // was on watch then
	Done           int           // calls made
	Called         []called
	Acknowledged   bool
	Over           bool // cleared, but it flaps, so that nobody believes it yet
}

// called is how often somebody was called.
type called struct {
	Name string
	N    int
}

// tell is what waits to be told to who is on watch.
type tell struct {
	journal.Stored
	About  string        // what is said in its place; empty: what was found
	As     string        // tells its message's key from that of the finding
	Not    time.Duration // before this
	Kept   bool          // by the quiet hours
	Muted  bool          // by its cause
	Device string        // what its point hangs on, where neighbours may join it
}

// flap is how often a flag was raised and cleared lately.
type flap struct {
	Key     flagKey
	Clears  []time.Duration
	On      bool // nobody is told any more until it is steady
	Changes int
	Last    time.Duration
}

type sent struct {
	To string
	At time.Duration
}

// flagKey tells open flags apart.
type flagKey struct {
	Flag, System, Subject string
	Begin                 uint64
}

func keyOf(f rules.Finding) flagKey { return flagKey{f.Flag, f.System, f.Subject, f.Begin} }

// letter is a message that goes into a path's queue.
type letter struct {
	To string `json:"-"` // the queue's path
	// Thread tells the calls of one wake to one person: those that could not be
	// sent yet become one.
	Thread  string
	Message message
}

// plan is one look at what is to be done.
type plan struct {
	*state
	now    moment
	watch  Watch
	paths  []destination
	device func(point string) string                   // what a point hangs on; empty: nothing that it shares
	tells  func(s journal.Stored, link bool) message   // a finding as a message, with or without a link that acknowledges
	stands func(system, step string) (sentence string) // how a step stands now; empty: not known
	out    []letter
}

// moment is now: by the outbox's own clock, and by the site's.
type moment struct {
	T      time.Duration
	Wall   time.Time
	Proven bool
}

// find takes the next finding for an audience.
func (p *plan) find(a *audience, s journal.Stored) {
	if s.ID <= a.Read {
		return
	}
	a.Read = s.ID
	switch s.Edge {
	case rules.Given:
		p.tell(a, s)
	case rules.Raised:
		p.raised(a, s)
	case rules.Cleared:
		p.cleared(a, s)
	}
}

func (p *plan) raised(a *audience, s journal.Stored) {
	if s.Urgency < p.least(a) {
		return
	}
	k := keyOf(s.Finding)
	i := a.open(k)
	if i >= 0 && a.Open[i].Told >= s.Urgency { // told before; or it flaps
		a.Open[i].Over = false
		a.changed(k, p.now.T)
		return
	}
	o := &opened{Stored: s, Told: s.Urgency}
	if i >= 0 {
		a.Open[i] = o
	} else {
		a.Open = append(a.Open, o)
	}
	if s.Urgency < rules.Wake {
		p.tell(a, s)
		return
	}
	a.Tells = slices.DeleteFunc(a.Tells, func(t *tell) bool { return keyOf(t.Finding) == k }) // what was less urgent is in this
	p.begin(a, o)
	p.call(a, o)
}

// begin begins the calls of a wake.
func (p *plan) begin(a *audience, o *opened) {
	o.Begun, o.Done = p.now.T, 0
	var on bool
	if o.Who, on = p.order(a); !on {
		o.Nobody = true
	}
}

func (p *plan) cleared(a *audience, s journal.Stored) {
	k := keyOf(s.Finding)
	i := a.open(k)
	if i < 0 {
		return
	}
	o := a.Open[i]
	if a.Path == "" && p.flaps(a, o, s) {
		return
	}
	a.Open = slices.Delete(a.Open, i, i+1)
	if a.Path != "" {
		p.tell(a, s)
		return
	}
	p.over(a, o, s, "", "")
}

// over tells of a flag that is over: at once whoever was called, and else as
// whatever can wait. What nobody has heard of yet nobody need hear of now.
func (p *plan) over(a *audience, o *opened, s journal.Stored, about, as string) {
	if o.Told == rules.Wake {
		m := p.tells(s, false)
		m.About, m.Key, m.Urgency = about, m.Key+as, rules.Wake
		for _, c := range o.Called {
			p.sendTo(a, c.Name, "", m)
		}
		return
	}
	for i, t := range a.Tells {
		if keyOf(t.Finding) == keyOf(s.Finding) && t.Edge == rules.Raised {
			if t.Kept { // the digest says that it was, and is over
				t.Stored, t.About, t.As = s, about, as
			} else {
				a.Tells = slices.Delete(a.Tells, i, i+1)
			}
			return
		}
	}
	p.tellOf(a, s, about, as)
}

// flaps counts how often a flag was cleared lately, and reports whether that is
// too often to be believed.
func (p *plan) flaps(a *audience, o *opened, s journal.Stored) bool {
	k := keyOf(s.Finding)
	i := slices.IndexFunc(a.Flaps, func(f *flap) bool { return f.Key == k })
	if i < 0 {
		i = len(a.Flaps)
		a.Flaps = append(a.Flaps, &flap{Key: k})
	}
	f := a.Flaps[i]
	f.Clears = append(recent(f.Clears, p.now.T-flapIn), p.now.T)
	if !f.On && len(f.Clears) < flapOf {
		return false
	}
	o.Over = true
	if f.On {
		a.changed(k, p.now.T)
		return true
	}
	f.On, f.Changes, f.Last = true, 2*len(f.Clears), p.now.T
	about := english.say("flaps", len(f.Clears), o.Text)
	if o.Told < rules.Wake {
		a.Tells = slices.DeleteFunc(a.Tells, func(t *tell) bool { return keyOf(t.Finding) == k })
		p.tellOf(a, o.Stored, about, "-flaps")
		return true
	}
	p.toCalled(a, o, about, "-flaps")
	return true
}

// toCalled tells everybody who was called of a wake how it behaves.
func (p *plan) toCalled(a *audience, o *opened, about, as string) {
	m := p.tells(o.Stored, !o.Acknowledged)
	m.About, m.Key = about, m.Key+as
	for _, c := range o.Called {
		p.sendTo(a, c.Name, "", m)
	}
}

// changed notes one more change of a flag that flaps.
func (a *audience) changed(k flagKey, now time.Duration) {
	for _, f := range a.Flaps {
		if f.On && f.Key == k {
			f.Changes++
			f.Last = now
		}
	}
}

// steady tells, once and with how often, of flags that no longer flap.
func (p *plan) steady(a *audience) {
	a.Flaps = slices.DeleteFunc(a.Flaps, func(f *flap) bool {
		if !f.On {
			return len(recent(f.Clears, p.now.T-flapIn)) == 0
		}
		if p.now.T-f.Last < steadyFor {
			return false
		}
		i := a.open(f.Key)
		if i < 0 {
			return true
		}
		o := a.Open[i]
		s, word := o.Stored, "steady.open"
		if o.Over {
			word, s.Edge = "steady.over", rules.Cleared
			a.Open = slices.Delete(a.Open, i, i+1)
		}
		about := english.say(word, f.Changes, o.Text)
		switch {
		case o.Over:
			p.over(a, o, s, about, "-steady")
		case o.Told < rules.Wake:
			p.tellOf(a, s, about, "-steady")
		case o.Acknowledged: // else it is being called, and will be until somebody acknowledges it
			p.toCalled(a, o, about, "-steady")
		}
		return true
	})
}

// acknowledge takes a mark by which a person takes a flag on.
func (p *plan) acknowledge(e rules.Entry) {
	b, ok := e.Body.(*rules.Told)
	if !ok || b.Name != "acknowledged" {
		return
	}
	for _, a := range p.Audiences {
		for _, o := range a.Open {
			if journal.Acknowledges(b, e.Seq, &rules.Flag{Finding: o.Finding}) {
				o.Acknowledged = true
			}
		}
	}
}

// call makes every call of a wake that is due; several to one person are one.
func (p *plan) call(a *audience, o *opened) {
	if o.Told < rules.Wake || o.Acknowledged {
		return
	}
	if !slices.ContainsFunc(o.Who, func(name string) bool { return p.known(a, name) }) { // the rota has changed altogether
		p.begin(a, o)
	}
	var who []string
	first := map[string]int{} // looked up, not gone through
	for {
		after, i := callAfter(o.Done, len(o.Who))
		if o.Begun+after > p.now.T {
			break
		}
		o.Done++
		names := o.Who
		if i >= 0 {
			names = o.Who[i : i+1]
		}
		for _, name := range names {
			n := o.count(name)
			if first[name] == 0 {
				first[name] = n
				who = append(who, name)
			}
		}
	}
	for _, name := range who {
		m := p.tells(o.Stored, true)
		m.From, m.Call, m.Since = first[name], o.calls(name), m.Wall
		if m.Call > 1 {
			m.Key = fmt.Sprintf("%s-%d", m.Key, m.Call)
			m.Stands = p.stands(o.System, o.Step)
		}
		switch i := slices.Index(o.Who, name); {
		case o.Nobody && m.From == 1 && i == 0:
			m.Aside = english.say("aside.nobody")
		case m.From == 1 && i > 0:
			m.Aside = english.say("aside.unanswered", cut(o.Who[i-1], mostSystem))
		}
		p.sendTo(a, name, fmt.Sprintf("%d %s", o.ID, name), m)
	}
}

// count counts one more call to somebody.
func (o *opened) count(name string) int {
	for i := range o.Called {
		if c := &o.Called[i]; c.Name == name {
			c.N++
			return c.N
		}
	}
	o.Called = append(o.Called, called{name, 1})
	return 1
}

func (o *opened) calls(name string) int {
	for _, c := range o.Called {
		if c.Name == name {
			return c.N
		}
	}
	return 0
}

// tell tells what does not wake anybody: a destination of nobody's at once, who
// is on watch when it is time.
func (p *plan) tell(a *audience, s journal.Stored) {
	if a.Path != "" {
		p.sendTo(a, "", "", p.tells(s, s.Edge == rules.Raised))
		return
	}
	p.tellOf(a, s, "", "")
}

// tellOf lets something wait for who is on watch.
func (p *plan) tellOf(a *audience, s journal.Stored, about, as string) {
	t := &tell{Stored: s, About: about, As: as, Not: p.now.T}
	if about == "" && (s.Flag == "point-silent" || s.Flag == "point-failed") && s.Edge != rules.Given && len(s.Points) == 1 {
		t.Device = p.device(s.Points[0])
	}
	if t.Device != "" {
		t.Not += holdOff
		if a.toldOf(t, p.device) {
			t.Not += holdMore - holdOff
		}
	}
	a.Tells = append(a.Tells, t)
}

// toldOf reports whether somebody has been told of another flag of the kind on
// the same device, still open.
func (a *audience) toldOf(t *tell, device func(string) string) bool {
	return slices.ContainsFunc(a.Open, func(o *opened) bool {
		waits := slices.ContainsFunc(a.Tells, func(w *tell) bool { return w.ID == o.ID })
		return o.ID != t.ID && !waits && o.Flag == t.Flag && len(o.Points) == 1 && device(o.Points[0]) == t.Device
	})
}

// muted reports whether a cause of a flag is open, so that it says nothing new.
func (a *audience) muted(t *tell) bool {
	if t.Edge != rules.Raised {
		return false
	}
	for _, c := range causes {
		if c.flag != t.Flag {
			continue
		}
		for _, o := range a.Open {
			related := c.system && o.System == t.System || slices.ContainsFunc(o.Points, func(x string) bool { return slices.Contains(t.Points, x) })
			if slices.Contains(c.of, o.Flag) && related && !o.Over {
				return true
			}
		}
	}
	return false
}

// told tells who is on watch what has waited for it: one by one, or as one
// message where the night or a storm has gathered many.
func (p *plan) told(a *audience) {
	who, _ := p.order(a)
	var ready []*tell
	due := a.due(p.now.T)
	quiet := p.watch.isQuiet(p.now.Wall, p.now.Proven)
	for _, t := range a.Tells {
		switch muted := a.muted(t); {
		case muted:
			t.Muted = true
			continue
		case t.Muted: // its cause is gone: if it stays, it is its own matter
			t.Muted, t.Not = false, p.now.T+holdOff
		}
		if t.Not > p.now.T && !due[t.shared()] {
			continue
		}
		if quiet {
			t.Kept = true
			continue
		}
		ready = append(ready, t)
	}
	if len(ready) == 0 || len(who) == 0 {
		return
	}
	messages := p.gathered(ready)
	free := stormOf - len(a.sentTo(who[0], p.now.T))
	kept := slices.ContainsFunc(ready, func(t *tell) bool { return t.Kept })
	switch {
	case free <= 0:
		return
	case len(messages) > 1 && (kept || len(messages) > free):
		p.sendTo(a, who[0], "", p.digest(messages))
	default:
		for _, m := range messages {
			p.sendTo(a, who[0], "", m)
		}
	}
	a.Tells = slices.DeleteFunc(a.Tells, func(t *tell) bool { return slices.Contains(ready, t) })
}

// shared is what several points of one device may have in common; empty: nothing.
type shared struct {
	flag, device string
	edge         rules.Edge
}

func (t *tell) shared() shared {
	if t.Device == "" || t.About != "" {
		return shared{}
	}
	return shared{t.Flag, t.Device, t.Edge}
}

// due is of which devices something is to be told now: what else waits of the
// same goes along, or a point that fell silent a second later were a message.
func (a *audience) due(now time.Duration) map[shared]bool {
	of := map[shared]bool{}
	for _, t := range a.Tells {
		if k := t.shared(); k != (shared{}) && t.Not <= now && !t.Muted && !a.muted(t) {
			of[k] = true
		}
	}
	return of
}

// gathered makes messages of what is to be told: of the points of one device
// that fell silent, or were heard again, one.
func (p *plan) gathered(ready []*tell) (ms []message) {
	at := map[shared]int{} // looked up, not gone through
	for _, t := range ready {
		m := p.tells(t.Stored, t.Edge == rules.Raised)
		m.About, m.Key = t.About, m.Key+t.As
		k := t.shared()
		i, known := at[k]
		switch {
		case k == shared{}:
		case !known:
			at[k] = len(ms)
		default:
			if ms[i].Several == nil {
				ms[i].Several = []message{ms[i]}
			}
			ms[i].Several = append(ms[i].Several, m)
			ms[i].Ack = "" // a link is of one flag
			ms[i].About = p.ofDevice(t, ms[i].Several)
			continue
		}
		ms = append(ms, m)
	}
	return ms
}

// ofDevice says of how many points of a device the same is true.
func (p *plan) ofDevice(t *tell, several []message) string {
	names := make([]string, 0, len(several))
	for _, m := range several {
		names = append(names, m.Subject)
	}
	return english.say("device."+t.Flag+"."+t.Edge.String(), len(several), t.Device, cut(strings.Join(names, ", "), 60))
}

// digest is many messages in one.
func (p *plan) digest(ms []message) message {
	d := message{Box: ms[0].Box, Site: ms[0].Site, Wall: p.now.Wall, Proven: p.now.Proven, Several: flat(ms), Key: ms[0].Key + "-digest"}
	d.Since = d.Several[0].Wall
	var kinds []string
	counts := map[string]int{} // looked up, not gone through
	for _, m := range d.Several {
		kind := m.kind()
		if counts[kind]++; counts[kind] == 1 {
			kinds = append(kinds, kind)
		}
	}
	slices.SortStableFunc(kinds, func(x, y string) int { return weight(y) - weight(x) })
	for i, kind := range kinds {
		if n := counts[kind]; n > 1 {
			kinds[i] = fmt.Sprintf("%d x %s", n, kind)
		}
	}
	d.About = english.say("digest", len(d.Several), d.Since.Format("15:04"), strings.Join(kinds, "; "))
	return d
}

// flat takes what was gathered apart again.
func flat(ms []message) (all []message) {
	for _, m := range ms {
		if len(m.Several) > 0 {
			all = append(all, m.Several...)
		} else {
			all = append(all, m)
		}
	}
	return all
}

// kind is a message in a digest, in a few words.
func (m message) kind() string {
	words := strings.ReplaceAll(m.Flag, "-", " ")
	switch m.Edge {
	case rules.Given:
		return strings.ReplaceAll(m.Step+" "+m.Result, "-", " ")
	case rules.Cleared:
		return words + " over"
	}
	return words
}

// weight brings what has failed, and what is still open, to the front.
func weight(kind string) int {
	switch {
	case strings.HasSuffix(kind, " failed"):
		return 3
	case strings.HasSuffix(kind, " not proven"):
		return 2
	case strings.HasSuffix(kind, " passed"), strings.HasSuffix(kind, " over"):
		return 0
	}
	return 1
}

// sendTo puts a message into the queues of somebody's paths; of an audience
// that is a destination, into its own.
func (p *plan) sendTo(a *audience, name, thread string, m message) {
	person := Person{Paths: []string{a.Path}}
	if a.Path == "" {
		person, _ = p.watch.person(name)
		m.To = name
		m.Key += "-" + plain(name)
	}
	count := false
	for _, d := range p.paths {
		urgency := m.Urgency
		if m.Edge == rules.Cleared && a.Path != "" {
			urgency = rules.Wake // what was raised here is cleared here
		}
		if !slices.Contains(person.Paths, d.name) && !slices.Contains(person.Paths, d.group) || max(urgency, rules.Tell) < d.least {
			continue
		}
		m.Path, count = d.name, true
		p.out = append(p.out, letter{To: d.name, Thread: thread, Message: m})
	}
	if count && a.Path == "" {
		a.Sent = append(a.Sent, sent{name, p.now.T})
	}
}

// due does what time alone has made due.
func (p *plan) due() {
	for _, a := range p.Audiences {
		a.Sent = slices.DeleteFunc(a.Sent, func(s sent) bool { return s.At <= p.now.T-stormIn })
		for _, o := range a.Open {
			p.call(a, o)
		}
		if a.Path == "" {
			p.steady(a)
			p.told(a)
		}
	}
}

// next is the earliest moment at which time alone makes something due.
func (p *plan) next() (at time.Duration, ok bool) {
	add := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	for _, a := range p.Audiences {
		for _, o := range a.Open {
			if o.Told == rules.Wake && !o.Acknowledged {
				after, _ := callAfter(o.Done, len(o.Who))
				add(o.Begun + after)
			}
		}
		for _, f := range a.Flaps {
			if f.On {
				add(f.Last + steadyFor)
			}
		}
		for _, t := range a.Tells {
			switch {
			case t.Muted:
			case t.Not > p.now.T:
				add(t.Not)
			case t.Kept:
				add(p.now.T + quietLook)
			case len(a.Sent) > 0: // a storm
				add(a.Sent[0].At + stormIn)
			default:
				add(p.now.T + quietLook)
			}
		}
	}
	return max(at, p.now.T), ok
}

// resume goes on after the box was away. Where nobody knows for how long, what
// is due next is due at once.
func (s *state) resume(away time.Duration, known bool) {
	s.T += away
	if known {
		return
	}
	for _, a := range s.Audiences {
		for _, o := range a.Open {
			after, _ := callAfter(o.Done, len(o.Who))
			o.Begun = min(o.Begun, s.T-after)
		}
		for _, t := range a.Tells {
			t.Not = min(t.Not, s.T)
		}
	}
}

func (p *plan) order(a *audience) (names []string, onWatch bool) {
	if a.Path != "" {
		return []string{""}, true
	}
	return p.watch.order(p.now.Wall, p.now.Proven)
}

// known reports whether somebody can still be called.
func (p *plan) known(a *audience, name string) bool {
	if a.Path != "" {
		return true
	}
	_, ok := p.watch.person(name)
	return ok
}

// least is the least urgency that an audience wants to hear of.
func (p *plan) least(a *audience) rules.Urgency {
	for _, d := range p.paths {
		if d.name == a.Path {
			return d.least
		}
	}
	return rules.Tell
}

func (a *audience) open(k flagKey) int {
	return slices.IndexFunc(a.Open, func(o *opened) bool { return keyOf(o.Finding) == k })
}

// sentTo is when somebody was sent something within the last minute.
func (a *audience) sentTo(name string, now time.Duration) (at []time.Duration) {
	for _, s := range a.Sent {
		if s.To == name && s.At > now-stormIn {
			at = append(at, s.At)
		}
	}
	return at
}

func recent(ts []time.Duration, after time.Duration) []time.Duration {
	return slices.DeleteFunc(slices.Clone(ts), func(t time.Duration) bool { return t <= after })
}
