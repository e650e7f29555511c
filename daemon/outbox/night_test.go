package outbox

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/rules"
)

// phones are the other side: each host is somebody's phone. The network goes
// away and comes back; an answer may be lost after the message was taken.
type phones struct {
	mu    sync.Mutex
	away  bool
	lose  func() bool
	heard []heard
}

type heard struct {
	phone, key  string
	at          time.Duration // since the night's beginning
	flag, state string
	subject     string
	from, call  int
	text        string
}

func (p *phones) transport(begun time.Time) http.RoundTripper {
	return roundTrip(func(r *http.Request) (*http.Response, error) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return nil, err
		}
		var m struct {
			Key, Rule, State, Subject, Message string
			Call, From                         int
		}
		if err := json.Unmarshal(body, &m); err != nil {
			return nil, err
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.away {
			return nil, errors.New("no route to host")
		}
		p.heard = append(p.heard, heard{r.URL.Host, m.Key, time.Since(begun), m.Rule, m.State, m.Subject, cmp.Or(m.From, m.Call), m.Call, m.Message})
		if p.lose() {
			return nil, errLost
		}
		return &http.Response{StatusCode: 200, Header: http.Header{}, Body: io.NopCloser(strings.NewReader("")), Request: r}, nil
	})
}

type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

func (p *phones) set(away bool) { p.mu.Lock(); defer p.mu.Unlock(); p.away = away }

// wakeful is one wake of the night, as the site has it.
type wakeful struct {
	subject      string
	raised       time.Duration
	acknowledged time.Duration // 0: by nobody
	cleared      time.Duration // 0: never
}

// until is when its calls end.
func (w wakeful) until(end time.Duration) time.Duration {
	for _, t := range []time.Duration{w.acknowledged, w.cleared} {
		if t > 0 {
			end = min(end, t)
		}
	}
	return end
}

// duties are when a person's calls are due after a flag is raised, written down
// from the timetable as people are told it: with two people on the rota.
func duties(person string, within time.Duration) (at []time.Duration) {
	first := map[string]time.Duration{"ana": 0, "rui": 15 * time.Minute}[person]
	for _, gap := range []time.Duration{0, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute} {
		at = append(at, first+gap)
	}
	for t := 45 * time.Minute; t < within; t += 15 * time.Minute {
		at = append(at, t)
	}
	return slices.DeleteFunc(at, func(t time.Duration) bool { return t >= within })
}

// night plays a night: the outbox on a journal, killed and started anew, on
// phones whose network comes and goes. It checks that every call of every wake
// reached each path of whom it was for: each once, in order, none lost.
type night struct {
	t      *testing.T
	wakes  []wakeful
	cuts   [][2]time.Duration // the network is away
	kills  [][2]time.Duration // the program is off
	lose   func() bool
	length time.Duration
}

func (n night) play() {
	t := n.t
	type event struct {
		at time.Duration
		do func()
	}
	begun := time.Now()
	p := &phones{lose: n.lose}
	k := newJournal(t)
	config := Config{FromNow: true, Watch: Watch{People: []Person{{Name: "ana", Paths: []string{"ana-phone", "ana-mail"}}, {Name: "rui", Paths: []string{"rui-phone"}}}}}
	for _, host := range []string{"ana-phone", "ana-mail", "rui-phone"} {
		config.Webhooks = append(config.Webhooks, Webhook{Name: host, URL: "http://" + host + "/in", Least: rules.Tell, Timeout: 10 * time.Second})
	}
	var stop func()
	start := func() {
		o := New(Parts{Config: config, Box: "box-1", ID: "j1", Site: "Quayside Library", Journal: k.Journal, Links: &Links{make([]byte, 32), at("http://box.local")},
			Log: slog.New(slog.DiscardHandler), Transport: p.transport(begun), Now: runsOn})
		if err := o.Begin(t.Context()); err != nil {
			t.Fatal(err)
		}
		stop = run(t, o)
	}
	start()
	synctest.Wait()
	var events []event
	off := func(at, later time.Duration) time.Duration { // what happens while the box is off it learns when it is back
		for _, kill := range n.kills {
			if at >= kill[0] && at <= kill[1] {
				return kill[1] + later
			}
		}
		return at
	}
	since := func(at time.Duration) rules.Instant {
		return rules.Instant{Boot: 1, Since: at.Truncate(time.Millisecond)}
	}
	seq := uint64(0)
	for i := range n.wakes {
		w := &n.wakes[i]
		w.raised = off(w.raised, time.Second)
		edge := func(e rules.Edge, at time.Duration) event {
			return event{at, func() {
				seq++
				f := flag(e, rules.Wake, w.subject, 0)
				f.At, f.Seq = since(at), 2+seq
				k.find(f)
			}}
		}
		events = append(events, edge(rules.Raised, w.raised))
		if w.acknowledged > 0 {
			w.acknowledged = off(w.acknowledged, 5*time.Second)
			events = append(events, event{w.acknowledged, func() {
				told := rules.Entry{At: since(w.acknowledged), Body: &rules.Told{Kind: "mark", Name: "acknowledged", Note: "scale-silent " + w.subject}}
				for range 100 { // its number is above those that the findings rest on
					if err := k.Append([]rules.Entry{told}, nil); err != nil {
						t.Error(err)
					}
				}
			}})
		}
		if w.cleared > 0 {
			w.cleared = off(w.cleared, 9*time.Second)
			events = append(events, edge(rules.Cleared, w.cleared))
		}
	}
	for _, c := range n.cuts {
		events = append(events, event{c[0], func() { p.set(true) }}, event{c[1], func() { p.set(false) }})
	}
	for _, c := range n.kills {
		events = append(events, event{c[0], func() {
			stop()
			if err := k.Close(); err != nil {
				t.Error(err)
			}
		}}, event{c[1], func() { k.open(); start() }})
	}
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Compare(a.at, b.at) })
	for _, e := range events {
		time.Sleep(e.at - time.Since(begun))
		e.do()
		synctest.Wait()
	}
	time.Sleep(n.length - time.Since(begun))
	synctest.Wait()
	p.set(false)
	time.Sleep(2*longestPause + 17*time.Second) // what waits for the network arrives; what is due meanwhile, too
	synctest.Wait()
	end := time.Since(begun)
	stop()
	n.check(p.heard, end)
}

func (n night) check(all []heard, end time.Duration) {
	t := n.t
	for _, phone := range []string{"ana-phone", "ana-mail", "rui-phone"} {
		person, _, _ := strings.Cut(phone, "-")
		var order []heard // without what came again under its key
		for _, h := range all {
			if h.phone != phone {
				continue
			}
			if i := slices.IndexFunc(order, func(o heard) bool { return o.key == h.key }); i >= 0 {
				if i != len(order)-1 || order[i].text != h.text {
					t.Errorf("%s: %q came again, but after others or with another text", phone, h.key)
				}
				continue
			}
			order = append(order, h)
		}
		for _, w := range n.wakes {
			due := duties(person, w.until(end)-w.raised)
			next, over := 1, 0
			for _, h := range order {
				if h.subject != w.subject {
					continue
				}
				switch {
				case h.state == "cleared":
					over++
					if next <= len(due) {
						t.Errorf("%s: %s is over after %d of %d calls", phone, w.subject, next-1, len(due))
					}
				case h.from != next || h.call < h.from:
					t.Errorf("%s: %s: calls %d to %d where call %d was next", phone, w.subject, h.from, h.call, next)
					fallthrough
				default:
					if h.call <= len(due) && h.at < w.raised+due[h.call-1] {
						t.Errorf("%s: %s: call %d at %v, before it was due", phone, w.subject, h.call, h.at)
					}
					next = h.call + 1
				}
			}
			if next-1 != len(due) {
				t.Errorf("%s: %s, raised %v, to %v: %d calls arrived of %d", phone, w.subject, w.raised, w.until(end), next-1, len(due))
			}
			if want := map[bool]int{true: 1}[w.cleared > 0 && len(due) > 0]; over != want {
				t.Errorf("%s: %s: told %d times that it is over, want %d", phone, w.subject, over, want)
			}
		}
	}
}

// The scripted night: the network goes away twice and the box restarts once;
// one wake before, one in the first gap, one just before the restart.
func TestANightWithTheNetworkAwayTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		night{t: t, length: 200*time.Minute + 30*time.Second, lose: func() bool { return false },
			wakes: []wakeful{
				{subject: "a", raised: 10 * time.Minute, acknowledged: 61*time.Minute + 30*time.Second, cleared: 150*time.Minute + 10*time.Second},
				{subject: "b", raised: 33 * time.Minute, cleared: 34*time.Minute + 20*time.Second},
				{subject: "c", raised: 89 * time.Minute},
			},
			cuts:  [][2]time.Duration{{30*time.Minute + 5*time.Second, 50*time.Minute + 7*time.Second}, {100*time.Minute + 3*time.Second, 141*time.Minute + time.Second}},
			kills: [][2]time.Duration{{90*time.Minute + time.Second, 97*time.Minute + 11*time.Second}},
		}.play()
	})
}

// Random nights: outages, restarts, lost answers and wakes from seeds.
func TestRandomNights(t *testing.T) {
	for seed := range uint64(12) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := rand.New(rand.NewPCG(seed, 7))
				// Everything that people and the site do lies on odd seconds, so that
				// no call is due at the very moment at which its wake ends.
				odd := func(from, to time.Duration) time.Duration {
					span := int64((to - from) / time.Minute)
					return from + time.Duration(r.Int64N(max(span, 1)))*time.Minute + time.Duration(1+2*r.IntN(29))*time.Second
				}
				n := night{t: t, length: 3*time.Hour + 40*time.Second, lose: func() bool { return r.IntN(5) == 0 }}
				for i := range 1 + r.IntN(4) {
					w := wakeful{subject: fmt.Sprint("p", i), raised: odd(0, 2*time.Hour).Truncate(time.Minute)}
					if r.IntN(2) == 0 {
						w.acknowledged = odd(w.raised, 170*time.Minute)
					}
					if r.IntN(2) == 0 {
						w.cleared = odd(max(w.raised, w.acknowledged)+time.Minute, 175*time.Minute)
					}
					n.wakes = append(n.wakes, w)
				}
				for at := odd(0, time.Hour); at < 170*time.Minute; at += odd(time.Minute, time.Hour) {
					to := at + odd(0, 40*time.Minute)
					n.cuts = append(n.cuts, [2]time.Duration{at, min(to, 179*time.Minute)})
					at = to
				}
				for at := odd(time.Minute, time.Hour); at < 165*time.Minute; at += odd(time.Minute, time.Hour) {
					to := at + odd(0, 20*time.Minute)
					n.kills = append(n.kills, [2]time.Duration{at, min(to, 175*time.Minute)})
					at = to
				}
				n.play()
			})
		})
	}
}
