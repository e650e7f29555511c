package rules

import (
	"cmp"
	"slices"
	"time"

	"standwatch/sensors"
)

// silence follows one point's signs of life. Silence goes by when the box
// heard, never by the instrument's own time.
type silence struct {
	point  sensors.Point
	called string        // what people call it
	heard  time.Duration // the last sign of life, or since when it is waited for
	raised bool

	// After a silence a point has to speak steadily before the flag is
	// cleared, longer each time it falls silent again soon, so that a bad radio
	// link is one flag and not a hundred.
	back    time.Duration // since when it speaks again
	speaks  bool
	cleared time.Duration // when the flag was last cleared
	again   int           // how often it has been raised soon after that
}

// steadyFirst is how long a point speaks before its flag is cleared the first
// time; soon after a clearing it is doubled up to steadyMost.
const (
	steadyFirst = 10 * time.Second
	steadyMost  = 5 * time.Minute
	soonAgain   = 10 * time.Minute
)

func (q *silence) limit() time.Duration {
	if q.point.SilentAfter > 0 {
		return q.point.SilentAfter
	}
	return 10 * time.Second // the contract's least
}

// due is the last moment that is still in time.
func (q *silence) due() time.Duration { return q.heard + q.limit() }

// hear takes a sign of life and reports whether a raised flag is to be cleared.
func (q *silence) hear(now time.Duration) (clear bool) {
	quiet := now - q.heard
	q.heard = now
	if !q.raised {
		return false
	}
	if !q.speaks || quiet > q.limit() {
		q.back, q.speaks = now, true
		return false
	}
	if now-q.back < q.steady() {
		return false
	}
	q.raised, q.speaks, q.cleared = false, false, now
	return true
}

func (q *silence) steady() time.Duration {
	d := min(q.limit(), steadyFirst)
	for i := 0; i < q.again && d < steadyMost; i++ {
		d *= 2
	}
	return min(d, steadyMost)
}

// raise notes that the flag is up.
func (q *silence) raise(now time.Duration) {
	if q.raised {
		return
	}
	if q.cleared > 0 && now-q.cleared < soonAgain {
		q.again++
	} else {
		q.again = 0
	}
	q.raised, q.speaks = true, false
}

// PointSilent tells when a point has not been heard for longer than allowed.
var PointSilent = Rule{
	Name:  "point-silent",
	Doc:   "Tells when a point has given no sign of life for longer than its silent_after.",
	Flags: []string{"point-silent"},
	Begin: beginPointSilent,
}

type pointSilent struct {
	system   string
	points   []*silence      // as the points of Start; nil where no silence is too long
	away     []string        // brokers that the box says it does not reach
	weighing map[string]bool // draw-ins and weigh-ins under way: there scale-silent speaks for the scale
	earliest time.Duration   // never later than the first deadline; looked up anew when it comes
	armed    bool
}

func beginPointSilent(s Start) Judge {
	j := &pointSilent{system: s.System, points: make([]*silence, len(s.Points)), weighing: map[string]bool{}}
	for i, p := range s.Points {
		if p.SilentAfter <= 0 {
			continue
		}
		q := &silence{point: p, called: called(p.Name, s.Units), heard: s.Entry.At.Since}
		for _, o := range s.Open {
			q.raised = q.raised || o.Subject == p.Name
		}
		j.points[i] = q
	}
	for _, step := range s.Running {
		if isWeighing(step.Name) {
			j.weighing[step.System+"/"+step.Name] = true
		}
	}
	j.rearm()
	return j
}

func isWeighing(step string) bool { return step == "draw-in" || step == "weigh-in" }

// muted reports whether another rule speaks for the point now.
func (j *pointSilent) muted(q *silence) bool {
	return len(j.weighing) > 0 && q.point.Role == "charging-scale"
}

func (j *pointSilent) Next(e Entry) []Finding {
	switch b := e.Body.(type) {
	case *Measured:
		q := j.points[e.place]
		if q == nil || !b.Health.Live() {
			return nil
		}
		if q.hear(e.At.Since) {
			j.want(q.due())
			return []Finding{{Edge: Cleared, Flag: "point-silent", Subject: q.point.Name, Text: speaksAgain(q.called)}}
		}
	case *Told:
		if _, says := boxSays(e); len(says) == 3 && says[0] == "broker" {
			j.away = slices.DeleteFunc(j.away, func(name string) bool { return name == says[2] })
			if says[1] == "away" {
				j.away = append(j.away, says[2])
			}
			return nil
		}
		return j.told(e, b)
	case *Due:
		return j.fallSilent(e.At.Since)
	}
	return nil
}

// told follows the weighing steps: while one is under way the scale's silence
// is scale-silent's matter, after it the scale is waited for anew.
func (j *pointSilent) told(e Entry, b *Told) (out []Finding) {
	if !isWeighing(b.Name) || b.Kind != "begin" && b.Kind != "end" {
		return nil
	}
	key := b.System + "/" + b.Name
	if b.System == "" {
		key = j.system + "/" + b.Name
	}
	if b.Kind == "begin" {
		j.weighing[key] = true
	} else {
		delete(j.weighing, key)
	}
	for _, q := range j.points {
		if q == nil || q.point.Role != "charging-scale" {
			continue
		}
		if b.Kind == "begin" && q.raised {
			q.raised = false
			out = append(out, Finding{Edge: Cleared, Flag: "point-silent", Subject: q.point.Name, Text: scaleWatched(b.Name)})
		}
		if b.Kind == "end" {
			q.heard = max(q.heard, e.At.Since)
		}
	}
	j.rearm()
	return out
}

func (j *pointSilent) fallSilent(now time.Duration) (out []Finding) {
	for _, q := range j.points {
		if q == nil || q.raised || q.due() > now || j.muted(q) {
			continue
		}
		q.raise(now)
		text := silent(q.called, now-q.heard)
		if slices.Contains(j.away, q.point.Device) {
			text = silentAway(q.called, q.point.Device, now-q.heard)
		}
		out = append(out, Finding{Edge: Raised, Flag: "point-silent", Subject: q.point.Name, Urgency: Tell,
			Points: []string{q.point.Name}, Text: text,
			Values: []Value{{"silent_s", seconds(now - q.heard)}}})
	}
	j.rearm()
	return out
}

// rearm looks up the earliest deadline: at a start, a mark and when the last
// one has come, never for a reading.
func (j *pointSilent) rearm() {
	j.earliest, j.armed = j.PutOff()
}

func (j *pointSilent) want(due time.Duration) {
	if !j.armed || due < j.earliest {
		j.earliest, j.armed = due, true
	}
}

func (j *pointSilent) Due() (time.Duration, bool) { return j.earliest, j.armed }

// PutOff is the first moment at which a point will have been silent for too long.
func (j *pointSilent) PutOff() (due time.Duration, ok bool) {
	for _, q := range j.points {
		if q != nil && !q.raised && !j.muted(q) && (!ok || q.due() < due) {
			due, ok = q.due(), true
		}
	}
	return due, ok
}

// ScaleSilent calls when the charging scale falls silent while charge may flow.
// A display that shows its last value on and on is no silence: a valve that was
// shut looks the same, and a call at each would not be believed for long. When
// the weight jumps on, the ledger counts what flowed meanwhile.
var ScaleSilent = Rule{
	Name:  "scale-silent",
	Doc:   "During draw-in and weigh-in: tells when the scale has given no weight for its silent_after, and wakes somebody at 60 s of every such silence.",
	Steps: []string{"draw-in", "weigh-in"},
	Flags: []string{"scale-silent"},
	Roles: []string{"charging-scale"},
	Begin: beginScaleSilent,
}

// scaleWake is the silence at which what flows unweighed matters (the contract).
const scaleWake = 60 * time.Second

// restartBridged is how long the program may be away within a silence that it
// has told of (the contract bridges gaps of 2 min): what it called for stands, and
// its time goes on, less what nobody listened. After a longer absence, or a power
// cut, it calls anew.
const restartBridged = 2 * time.Minute

type scaleSilent struct {
	scales     []*scaleQuiet
	ledger     *ledger
	step       string
	target     Setting
	aimed      bool
	handedOver bool // a weigh-in has taken over from this draw-in
	newest     time.Duration
}

// scaleQuiet is a scale's silence: of weights, for a scale that answers with
// faults weighs as little as one that is off.
type scaleQuiet struct {
	silence
	woken bool   // by the silence that lasts
	rang  bool   // by an earlier one of the flag that is up
	fault string // what it has answered since the last weight
	away  bool   // the box itself was, since then
}

// realSilence tells a silence from a scale that speaks about as seldom as its
// limit: only that makes a flag slower to go.
func (q *scaleQuiet) realSilence(quiet time.Duration) bool { return quiet > q.limit()*3/2 }

// weight takes a sign of life and reports whether a raised flag is to be
// cleared. It ends the silence: the next one wakes anew.
func (q *scaleQuiet) weight(now time.Duration) (clear bool) {
	if q.realSilence(now - q.heard) {
		q.again = 0
	}
	q.rang, q.woken, q.fault = q.rang || q.woken, false, ""
	q.away = false
	if clear = q.hear(now); clear {
		q.rang = false
	}
	return clear
}

func beginScaleSilent(s Start) Judge {
	j := &scaleSilent{ledger: s.weigher.of(s), step: s.Step.Name}
	j.target, j.aimed = limit(s.Step, "target")
	for _, p := range s.Points {
		q := &scaleQuiet{}
		q.point, q.heard = p, s.Entry.At.Since
		j.scales = append(j.scales, q)
	}
	return j
}

func (j *scaleSilent) Next(e Entry) (out []Finding) {
	if _, own := e.Body.(*Due); !own { // its deadlines are no news of the scale
		j.ledger.Next(e)
	}
	if j.handedOver {
		return nil
	}
	defer func() { j.newest = e.At.Since }()
	switch b := e.Body.(type) {
	case *Told:
		if goesOn(j.step, b) {
			j.handedOver = true
			for _, q := range j.scales {
				out = append(out, Finding{Edge: Cleared, Flag: "scale-silent", Subject: q.point.Name, Text: chargeHandedOver()})
			}
		}
	case *Started:
		for _, q := range j.scales {
			var quiet time.Duration
			if q.raised && b.Same && b.GapKnown && b.Gap <= restartBridged {
				quiet = j.newest - q.heard
			} else {
				q.rang, q.woken, q.away = q.rang || q.woken, false, true
			}
			q.heard, q.speaks, q.cleared = e.At.Since-quiet, false, 0
		}
	case *Measured:
		for _, q := range j.scales {
			if q.point.Name != b.Point || !b.Health.Live() {
				continue
			}
			if !b.Health.Usable() {
				q.fault = cmp.Or(b.Health.Reason, noReason)
				continue
			}
			if q.weight(e.At.Since) {
				j.ledger.refit()
				out = append(out, Finding{Edge: Cleared, Flag: "scale-silent", Subject: q.point.Name, Text: scaleSpeaks(j.standing())})
			}
		}
	case *Due:
		for _, q := range j.scales {
			out = append(out, j.fallSilent(q, e.At.Since)...)
		}
	}
	return out
}

func (j *scaleSilent) fallSilent(q *scaleQuiet, now time.Duration) (out []Finding) {
	due, wanted := q.next()
	if !wanted || due > now {
		return nil
	}
	quiet := now - q.heard
	urgency := Tell
	if now >= q.wakes() {
		urgency, q.woken = Wake, true
		if q.rang { // it has to be heard anew
			q.rang = false
			text := scaleSpoke(quiet)
			if q.away {
				text = scaleNotHeardSince(quiet)
			}
			out = append(out, Finding{Edge: Cleared, Flag: "scale-silent", Subject: q.point.Name, Text: text})
		}
	}
	q.raise(now)
	j.ledger.refit()
	values := append([]Value{{"silent_s", seconds(quiet)}}, j.ledger.values(j.target, j.aimed)...)
	text := scaleIsSilent(quiet, q.fault, j.standing())
	if j.step == "draw-in" && q.fault == "" && j.ledger.stopped {
		text = scaleIsSilentAfterTheEnd(quiet, j.standing())
	} else if rate, doubt := j.ledger.rate(); j.step == "draw-in" && q.fault == "" && j.ledger.flowed() && !j.ledger.lifted() && rate-2*doubt < noFlow && rate < 2*noFlow {
		text, j.ledger.endSaid = scaleIsSilentAtTheEnd(quiet, j.standing()), true
	}
	return append(out, Finding{Edge: Raised, Flag: "scale-silent", Subject: q.point.Name, Urgency: urgency,
		Points: []string{q.point.Name}, Text: text, Values: values})
}

// wakes is when the silence matters to somebody asleep.
func (q *scaleQuiet) wakes() time.Duration { return q.heard + max(scaleWake, q.limit()) }

// next is the moment at which a silent scale matters more than it does yet.
func (q *scaleQuiet) next() (time.Duration, bool) {
	switch {
	case !q.raised:
		return q.due(), true
	case !q.woken:
		return q.wakes(), true
	}
	return 0, false
}

func (j *scaleSilent) standing() charge { return j.ledger.charge(j.target, j.aimed) }

func (j *scaleSilent) Due() (due time.Duration, ok bool) {
	if j.handedOver {
		return 0, false
	}
	for _, q := range j.scales {
		if d, wanted := q.next(); wanted && (!ok || d < due) {
			due, ok = d, true
		}
	}
	return due, ok
}
