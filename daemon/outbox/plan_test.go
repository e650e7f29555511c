package outbox

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// desk runs the plan by hand: no clock, no journal, nothing sent.
type desk struct {
	t      *testing.T
	s      *state
	watch  Watch
	paths  []destination
	midday time.Time // the site's time at T = 0
	proven bool
	id     int64
}

// newDesk has Ana on watch, then Rui, each with a path of his own.
func newDesk(t *testing.T) *desk {
	return &desk{t: t, s: &state{Audiences: []*audience{{}}}, proven: true, midday: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC),
		watch: Watch{People: []Person{{Name: "Ana", Paths: []string{"ana"}}, {Name: "Rui", Paths: []string{"rui"}}}},
		paths: []destination{{name: "ana", group: "ana", least: rules.Tell}, {name: "rui", group: "rui", least: rules.Tell}}}
}

// at lets so much time have gone by, and takes findings and marks; what comes
// out is in the order of sending. The state goes through the shelf each time.
func (d *desk) at(after time.Duration, news ...any) (said []string) {
	d.t.Helper()
	for _, m := range d.letters(after, news...) {
		if n := utf8.RuneCountInString(m.Message.short()); n > mostShort {
			d.t.Errorf("%d characters: %s", n, m.Message.short())
		}
		said = append(said, m.To+": "+m.Message.short())
	}
	return said
}

func (d *desk) letters(after time.Duration, news ...any) []letter {
	d.t.Helper()
	body, err := json.Marshal(d.s)
	if err != nil {
		d.t.Fatal(err)
	}
	d.s = &state{}
	if err := json.Unmarshal(body, d.s); err != nil {
		d.t.Fatal(err)
	}
	d.s.T = after
	p := &plan{state: d.s, watch: d.watch, paths: d.paths, now: moment{after, d.midday.Add(after), d.proven},
		device: func(point string) string {
			if strings.HasPrefix(point, "roof-") {
				return "broker roof"
			}
			return ""
		},
		stands: func(string, string) string { return "" },
		tells: func(s journal.Stored, link bool) message {
			m := message{Finding: s.Finding, ID: s.ID, Site: "Quay", Key: fmt.Sprint(s.ID), Wall: d.midday.Add(s.At.Since), Proven: true}
			if link {
				m.Ack = fmt.Sprint("link ", s.ID)
			}
			return m
		}}
	for _, x := range news {
		switch x := x.(type) {
		case rules.Finding:
			d.id++
			x.Seq, x.At = uint64(d.id), rules.Instant{Boot: 1, Since: after}
			for _, a := range p.Audiences {
				p.find(a, journal.Stored{ID: d.id, Finding: x})
			}
		case string: // acknowledged
			d.id++
			p.acknowledge(rules.Entry{Seq: uint64(d.id), Body: &rules.Told{Kind: "mark", Name: "acknowledged", Note: x, By: "Ana"}})
		}
	}
	p.due()
	return p.out
}

func raise(u rules.Urgency, name, subject string) rules.Finding {
	return rules.Finding{Edge: rules.Raised, Urgency: u, Flag: name, Subject: subject, Points: []string{subject}, Text: "Silent for 60 s. Look at it."}
}

func clearing(f rules.Finding) rules.Finding {
	f.Edge, f.Text = rules.Cleared, "Heard again."
	return f
}

// want compares what was said, where each wanted line is a beginning and parts
// after " .. " that follow somewhere.
func want(t *testing.T, what string, got []string, wanted ...string) {
	t.Helper()
	fits := len(got) == len(wanted)
	for i := 0; fits && i < len(got); i++ {
		rest := got[i]
		for j, part := range strings.Split(wanted[i], " .. ") {
			at := strings.Index(rest, part)
			if at < 0 || j == 0 && at > 0 {
				fits = false
				break
			}
			rest = rest[at+len(part):]
		}
	}
	if !fits {
		t.Errorf("%s:\ngot  %q\nwant %q", what, got, wanted)
	}
}

const min1 = time.Minute

// The timetable, minute by minute: 0, 2, 5, 15 min to the first person, from
// there to the second, and then everybody each 15 min.
func TestWakeTimetable(t *testing.T) {
	d := newDesk(t)
	scale := raise(rules.Wake, "scale-silent", "scale")
	var got []string
	for m := 0; m <= 75; m++ {
		var news []any
		if m == 0 {
			news = append(news, scale)
		}
		for _, l := range d.letters(time.Duration(m)*min1, news...) {
			got = append(got, fmt.Sprintf("%d %s %d-%d", m, l.To, l.Message.From, l.Message.Call))
		}
	}
	want := []string{"0 ana 1-1", "2 ana 2-2", "5 ana 3-3", "15 ana 4-4", "15 rui 1-1", "17 rui 2-2", "20 rui 3-3", "30 rui 4-4",
		"45 ana 5-5", "45 rui 5-5", "60 ana 6-6", "60 rui 6-6", "75 ana 7-7", "75 rui 7-7"}
	if !slices.Equal(got, want) {
		t.Errorf("called\n%q, want\n%q", got, want)
	}
}

func TestWakeSaysWhoAndSince(t *testing.T) {
	d := newDesk(t)
	scale := raise(rules.Wake, "scale-silent", "scale")
	scale.Step = "weigh-in"
	const caution = " .. Do not go up alone, in the dark or in lightning."
	want(t, "first", d.at(0, scale), "ana: WAKE Quay, weigh-in: Silent for 60 s"+caution)
	want(t, "again", d.at(2*min1), "ana: WAKE 2 since 12:00 Quay, weigh-in: Silent for 60 s"+caution)
	// The box was off meanwhile, for a time that is known: one call to each stands for all that were due.
	ls := d.letters(21 * min1)
	if len(ls) != 2 || ls[0].To != "ana" || ls[0].Message.From != 3 || ls[0].Message.Call != 4 || ls[1].Message.From != 1 || ls[1].Message.Call != 3 {
		t.Errorf("after 19 min away: %+v", ls)
	}
	if s := ls[1].Message.short(); !strings.Contains(s, "(Ana has not answered)") {
		t.Errorf("to the second person: %s", s)
	}
	// Acknowledged, nobody is called any more; cleared, whoever was called hears of it.
	want(t, "acknowledged", d.at(22*min1, "scale-silent scale"))
	want(t, "an hour later", d.at(90*min1))
	want(t, "over", d.at(91*min1, clearing(scale)), "ana: OVER Quay, weigh-in: Heard again.", "rui: OVER Quay, weigh-in: Heard again.")
	want(t, "anew", d.at(92*min1, scale), "ana: WAKE Quay")
	want(t, "an old mark says nothing of it", d.at(94*min1), "ana: WAKE 2 since 13:32")
}

// A tell that becomes a wake begins anew, acknowledged or not.
func TestMoreUrgentBeginsAnew(t *testing.T) {
	d := newDesk(t)
	want(t, "tell", d.at(0, raise(rules.Tell, "vacuum-rising", "gauge")), "ana: TELL Quay")
	want(t, "acknowledged", d.at(min1, "vacuum-rising gauge"))
	want(t, "wake", d.at(2*min1, raise(rules.Wake, "vacuum-rising", "gauge")), "ana: WAKE Quay")
	want(t, "again", d.at(4*min1), "ana: WAKE 2 since 12:02")
	want(t, "the same again", d.at(4*min1, raise(rules.Wake, "vacuum-rising", "gauge")))
	want(t, "over", d.at(5*min1, clearing(raise(rules.Wake, "vacuum-rising", "gauge"))), "ana: OVER Quay")
	want(t, "note", d.at(6*min1, raise(rules.Note, "mark-doubtful", "")))
}

func TestWhoIsOnWatch(t *testing.T) {
	d := newDesk(t)
	d.watch.People[0].Hours, d.watch.People[1].Hours = "22:00-06:00", "08:00-18:00"
	tell := raise(rules.Tell, "battery-low", "scale")
	want(t, "noon", d.at(0, tell), "rui: TELL")
	want(t, "two o'clock", d.at(14*time.Hour, clearing(tell)), "ana: OVER")
	// Nobody is: the first of the rota, and it is said.
	want(t, "seven o'clock", d.at(19*time.Hour, raise(rules.Wake, "scale-silent", "scale")), "ana: WAKE Quay (nobody is on watch):")
	want(t, "and then the next", d.at(19*time.Hour+15*min1), "ana: WAKE 4", "rui: WAKE Quay (Ana has not answered):")
	d.at(19*time.Hour+16*min1, "scale-silent scale")
	// A clock that is not proven does not know the hour.
	d.proven = false
	want(t, "no clock", d.at(20*time.Hour, tell), "ana: TELL")
	d.watch.Quiet = "00:00-24:00"
	want(t, "no clock, no quiet", d.at(20*time.Hour+min1, verdict(rules.Passed, 1)), "ana: PASSED")
}

// In quiet hours only a wake is sent; the rest is one message at their end.
func TestQuietHours(t *testing.T) {
	d := newDesk(t)
	d.watch.Quiet = "22:00-06:00"
	night := 11 * time.Hour // 23:00
	sump := raise(rules.Tell, "heater-unproven", "sump")
	want(t, "in the night", d.at(night, verdict(rules.NotPassed, 1), raise(rules.Tell, "battery-low", "scale"), sump))
	want(t, "it is over", d.at(night+min1, clearing(sump)))
	want(t, "a wake", d.at(night+2*min1, raise(rules.Wake, "scale-silent", "scale")), "ana: WAKE")
	want(t, "over, at once", d.at(night+3*min1, clearing(raise(rules.Wake, "scale-silent", "scale"))), "ana: OVER")
	d.at(night+6*time.Hour, verdict(rules.Passed, 2))
	ls := d.letters(18 * time.Hour)
	if len(ls) != 1 || len(ls[0].Message.Several) != 4 {
		t.Fatalf("in the morning: %+v", ls)
	}
	want(t, "in the morning", []string{ls[0].Message.short()}, "SUMMARY Quay: 4 messages since 23:00: vacuum hold failed; battery low; heater unproven over; vacuum hold passed. .. page")
	want(t, "once", d.at(18*time.Hour+min1))
	d.letters(35*time.Hour, verdict(rules.Passed, 3))
	want(t, "one alone stands for itself", d.at(42*time.Hour), "ana: PASSED")
}

// More than five a minute become one; a wake never waits.
func TestStorm(t *testing.T) {
	d := newDesk(t)
	var got []string
	for i := range 12 {
		got = append(got, d.at(time.Duration(i)*time.Second, raise(rules.Tell, "battery-low", fmt.Sprint("p", i)))...)
	}
	if len(got) != 5 {
		t.Errorf("%d messages in the first seconds: %q", len(got), got)
	}
	want(t, "a wake in it", d.at(20*time.Second, raise(rules.Wake, "scale-silent", "scale")), "ana: WAKE")
	want(t, "the rest", d.at(61*time.Second), "ana: SUMMARY Quay: 7 messages since 12:00: 7 x battery low.")
	got = nil
	for i := range 30 {
		got = append(got, d.at(5*min1+time.Duration(i)*10*time.Second, raise(rules.Tell, "battery-low", fmt.Sprint("q", i)))...)
	}
	if len(got) > 5*6 {
		t.Errorf("%d messages in 5 min", len(got))
	}
	all := d.letters(20*min1, raise(rules.Tell, "a", "1"), raise(rules.Tell, "a", "2"), raise(rules.Tell, "a", "3"), raise(rules.Tell, "a", "4"), raise(rules.Tell, "a", "5"), raise(rules.Tell, "a", "6"))
	if n := len(all); n > 3 { // the wake's calls, and one for six
		t.Errorf("six at once: %d messages", n)
	}
}

// A dead broker is one message, with how many points it took along, and so is
// its coming back.
func TestADeadBrokerIsOneMessage(t *testing.T) {
	d := newDesk(t)
	var got []string
	at := time.Duration(0)
	for i := range 40 {
		at = time.Duration(i) * 200 * time.Millisecond
		got = append(got, d.at(at, raise(rules.Tell, "point-silent", fmt.Sprint("roof-", i)))...)
	}
	got = append(got, d.at(at+holdOff)...)
	want(t, "silent", got, "ana: TELL Quay: 40 points of broker roof silent: roof-0, roof-1, .. Look at what they share")
	got = d.at(min1, raise(rules.Tell, "point-silent", "roof-slow"), raise(rules.Tell, "point-silent", "cellar"))
	got = append(got, d.at(3*min1)...)
	want(t, "one more of it, and one of another", got, "ana: TELL Quay: Silent for 60 s. .. ", "ana: TELL Quay: Silent for 60 s.")
	got = nil
	for i := range 40 {
		got = append(got, d.at(10*min1, clearing(raise(rules.Tell, "point-silent", fmt.Sprint("roof-", i))))...)
	}
	got = append(got, d.at(12*min1)...)
	want(t, "back", got, "ana: OVER Quay: 40 points of broker roof are heard again: roof-0,")
	// What was silent for less than the hold-off is nothing.
	one := raise(rules.Tell, "point-silent", "roof-1")
	got = append(d.at(30*min1, one), d.at(30*min1+5*time.Second, clearing(one))...)
	want(t, "a moment", append(got, d.at(40*min1)...))
}

// What follows from an open flag is not told while that is open; afterwards it
// is, if it stays.
func TestConsequencesAreMuted(t *testing.T) {
	d := newDesk(t)
	silent, split := raise(rules.Tell, "point-silent", "iu03-supply"), raise(rules.Tell, "split-poor", "iu03")
	split.Points = []string{"iu03-supply", "iu03-return"}
	want(t, "the cause", d.at(0, silent), "ana: TELL")
	want(t, "what follows", d.at(min1, split))
	want(t, "another unit", d.at(2*min1, func() rules.Finding { f := split; f.Subject, f.Points = "iu04", []string{"iu04-supply"}; return f }()), "ana: TELL")
	want(t, "the cause is gone", d.at(3*min1, clearing(silent)), "ana: OVER")
	want(t, "it stays", d.at(4*min1), "ana: TELL Quay: Silent for 60 s.")
	d.at(5*min1, clearing(split), silent)
	want(t, "again muted", d.at(6*min1, split))
	want(t, "over before anybody heard of it", d.at(7*min1, clearing(split)))
	// By the scale of the same system; a wake is kept from nobody.
	scale, low := raise(rules.Wake, "scale-silent", "scale"), raise(rules.Tell, "cylinder-low", "")
	want(t, "scale", d.at(60*min1, scale), "ana: WAKE")
	want(t, "its system", d.at(60*min1+time.Second, low))
	low.System = "south"
	want(t, "another system", d.at(60*min1+2*time.Second, low), "ana: TELL")
	near := raise(rules.Wake, "charge-near-target", "")
	want(t, "a wake", d.at(60*min1+3*time.Second, near), "ana: WAKE")
}

// Raised and cleared three times in ten minutes: said once, then not believed
// until it has been steady for ten minutes.
func TestFlapping(t *testing.T) {
	d := newDesk(t)
	f := raise(rules.Tell, "split-poor", "iu03")
	var got []string
	for i := range 20 {
		got = append(got, d.at(time.Duration(2*i)*min1, f)...)
		got = append(got, d.at(time.Duration(2*i+1)*min1, clearing(f))...)
	}
	want(t, "flaps", got, "ana: TELL", "ana: OVER", "ana: TELL", "ana: OVER", "ana: TELL", "ana: TELL Quay: On and off 3 times within 10 min; .. ")
	want(t, "not yet", d.at(48*min1))
	want(t, "steady", d.at(50*min1), "ana: OVER Quay: Steady for 10 min, and over, after 40 changes.")
	want(t, "once", d.at(70*min1))
	want(t, "anew", d.at(90*min1, f), "ana: TELL Quay: Silent")

	// One that wakes goes on calling meanwhile, until somebody acknowledges it.
	d = newDesk(t)
	f = raise(rules.Wake, "scale-silent", "scale")
	got = nil
	for i := range 6 {
		got = append(got, d.at(time.Duration(i)*min1, f)...)
		got = append(got, d.at(time.Duration(i)*min1+30*time.Second, clearing(f))...)
	}
	want(t, "flaps", got, "ana: WAKE Quay: Silent", "ana: OVER", "ana: WAKE Quay: Silent", "ana: OVER", "ana: WAKE Quay: Silent", "ana: WAKE Quay: On and off 3 times .. Do not go up alone",
		"ana: WAKE 2 since 12:02 Quay: Silent")
	want(t, "calls go on", d.at(7*min1), "ana: WAKE 3 since 12:02")
	want(t, "acknowledged", d.at(8*min1, "scale-silent scale"))
	want(t, "steady", d.at(16*min1), "ana: OVER Quay: Steady for 10 min, and over, after 12 changes.")
}

// A person's path that takes only what wakes gets nothing else, but what is over.
func TestAPathForWakesOnly(t *testing.T) {
	d := newDesk(t)
	d.watch.People = d.watch.People[:1]
	d.watch.People[0].Paths = []string{"ana", "rui"}
	d.paths[1].least = rules.Wake
	f := raise(rules.Wake, "scale-silent", "scale")
	want(t, "tell", d.at(0, raise(rules.Tell, "battery-low", "scale")), "ana: TELL")
	want(t, "wake", d.at(min1, f), "ana: WAKE", "rui: WAKE")
	want(t, "over", d.at(2*min1, clearing(f)), "ana: OVER", "rui: OVER")
	want(t, "verdict", d.at(3*min1, verdict(rules.Passed, 1)), "ana: PASSED")
}

// Where nobody knows how long the box was away, the next call is made at once,
// and one only.
func TestAwayForAnUnknownTime(t *testing.T) {
	d := newDesk(t)
	d.at(0, raise(rules.Wake, "scale-silent", "scale"))
	d.s.resume(0, false)
	want(t, "after the start", d.at(0), "ana: WAKE 2")
	want(t, "and no more", d.at(2*min1))
	want(t, "and then as it goes", d.at(3*min1), "ana: WAKE 3")
}

// The rota is changed while somebody is being called.
func TestARotaThatChanges(t *testing.T) {
	d := newDesk(t)
	d.at(0, raise(rules.Wake, "scale-silent", "scale"))
	d.watch.People = []Person{{Name: "Eva", Paths: []string{"rui"}}}
	want(t, "the next call", d.at(2*min1), "rui: WAKE Quay")
	want(t, "and on", d.at(4*min1), "rui: WAKE 2")
}

// Its points fall silent one after another while the box goes on looking: who
// waits for his neighbours does not leave the last of them behind.
func TestPointsThatFallSilentOneAfterAnotherAreOneMessage(t *testing.T) {
	d := newDesk(t)
	var got []string
	for i := range 12 {
		got = append(got, d.at(time.Duration(i)*900*time.Millisecond, raise(rules.Tell, "point-silent", fmt.Sprint("roof-", i)))...)
	}
	for at := 10 * time.Second; at < 3*min1; at += time.Second {
		got = append(got, d.at(at)...)
	}
	want(t, "silent", got, "ana: TELL Quay: 12 points of broker roof silent: roof-0, roof-1, .. Look at what they share")
	got = nil
	for i := range 12 {
		got = append(got, d.at(10*min1+time.Duration(i)*900*time.Millisecond, clearing(raise(rules.Tell, "point-silent", fmt.Sprint("roof-", i))))...)
	}
	for at := 10*min1 + 10*time.Second; at < 13*min1; at += time.Second {
		got = append(got, d.at(at)...)
	}
	want(t, "back", got, "ana: OVER Quay: 12 points of broker roof are heard again: roof-0,")
}
