package outbox

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// AlertServer is a server that takes alerts by version 2 of Alertmanager's
// interface, and groups, silences and passes them on by its own rules.
type AlertServer struct {
	Name         string
	URL          string // without /api/v2
	User         string
	PasswordFile string
	TokenFile    string // of a bearer token
	CAFile       string
	Least        rules.Urgency
	Timeout      time.Duration
	Every        time.Duration // how often what is open is told again: the server forgets when it is started anew
}

func readAlertmanager(n sensors.Node, faults *[]error) AlertServer {
	d := sensors.Decode(n, faults)
	a := AlertServer{
		Name:         d.Text("name", "alertmanager"),
		URL:          strings.TrimRight(d.Required("url"), "/"),
		User:         d.Text("user", ""),
		PasswordFile: d.Path("password_file"),
		TokenFile:    d.Path("token_file"),
		CAFile:       d.Path("ca_file"),
		Least:        least(d),
		Timeout:      d.Time("timeout", 10*time.Second),
		Every:        d.Time("every", time.Minute),
	}
	u, err := url.Parse(a.URL)
	switch {
	case a.URL == "":
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.RawQuery != "" || u.Fragment != "":
		d.Fail(d.Node("url"), "url: this is not an address", "write http://HOST:9093, without /api/v2")
	case u.User != nil:
		d.Fail(d.Node("url"), "url: a password does not belong in an address", "use user and password_file")
	case strings.HasSuffix(u.Path, "/api/v2") || strings.HasSuffix(u.Path, "/alerts"):
		d.Fail(d.Node("url"), "url: the interface's own path is added by itself", "leave /api/v2/alerts out")
	}
	if (a.User == "") != (a.PasswordFile == "") {
		d.Fail(n, "user and password_file belong together", "give both or none")
	}
	if a.User != "" && a.TokenFile != "" {
		d.Fail(d.Node("token_file"), "token_file and user are both given", "keep one")
	}
	if a.Every < 10*time.Second || a.Every > 4*time.Minute {
		d.Fail(d.Node("every"), fmt.Sprintf("every: %s is out of range", a.Every), "write a time from 10s to 4min: a server started anew must soon know")
	}
	positive(d, a.Timeout)
	d.Done()
	return a
}

// Standing is a flag that is open, with when it was first raised by the site's
// clock, and how long ago that is.
type Standing struct {
	rules.Flag
	Raised time.Time
	Age    time.Duration
}

// AlertParts is what a follower that tells an Alertmanager is made of.
type AlertParts struct {
	Config    AlertServer
	Box, Site string
	Open      func() []Standing                             // the flags that are open
	Watch     func() (changed <-chan struct{}, stop func()) // gets a value when they may have changed
	Shelf     Shelf                                         // remembers what was told
	Log       *slog.Logger
	Transport http.RoundTripper // nil: directly, without any proxy
}

// Shelf is where something that is the box's own is kept.
type Shelf interface {
	Get(ctx context.Context, key string, v any) (ok bool, err error)
	Put(key string, v any) error
}

// Alerts tells an Alertmanager which flags are open. It tells a state, not
// messages: what is open is told at once, and again and again, and what no
// longer is is told as ended, also when it ended while the box was away.
type Alerts struct {
	p    AlertParts
	told map[string]labels // told as open, by their text
	kept bool              // the shelf holds it

	ahead  time.Duration // the server's clock, less the machine's
	asked  bool          // its clock is known
	travel http.RoundTripper

	mu    sync.Mutex
	state journal.FollowerState
}

// NewAlerts makes a follower that tells an Alertmanager.
func NewAlerts(p AlertParts) *Alerts {
	return &Alerts{p: p, travel: p.Transport,
		state: journal.FollowerState{Name: "outbox:" + p.Config.Name, Sentence: "not started yet"}}
}

// State says how the server stands.
func (a *Alerts) State() journal.FollowerState {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.state
}

type labels map[string]string

// text is the same for the same labels.
func (l labels) text() string {
	var b strings.Builder
	for _, k := range slices.Sorted(maps.Keys(l)) {
		fmt.Fprintf(&b, "%s=%q,", k, l[k])
	}
	return b.String()
}

// alert is one alert as the interface has it.
type alert struct {
	Labels      labels `json:"labels"`
	Annotations labels `json:"annotations,omitempty"`
	StartsAt    string `json:"startsAt,omitempty"`
	EndsAt      string `json:"endsAt,omitempty"`
}

// alertHolds is how long an alert stays that is not told again: a box that
// falls silent is not a box where all is well, and the server must not call it
// resolved after its usual five minutes (our choice).
const alertHolds = 24 * time.Hour

// alertBeat is the shortest time between two looks.
const alertBeat = 250 * time.Millisecond

// Run tells the server until ctx ends.
func (a *Alerts) Run(ctx context.Context) error {
	changed, stop := a.p.Watch()
	defer stop()
	if err := a.remember(ctx); err != nil {
		return err
	}
	last, pause := time.Time{}, firstPause
	for ctx.Err() == nil {
		open := a.open()
		wait := a.p.Config.Every - time.Since(last)
		if last.IsZero() || wait <= 0 || a.news(open) {
			if err := a.tell(ctx, open); err != nil {
				a.say(false, err.Error()+"; what is open is told again until it is taken", len(open))
				wait = pause/2 + rand.N(pause/2)
				pause = min(2*pause, longestPause)
				changed := (<-chan struct{})(nil) // a failing server is not asked at each reading
				a.rest(ctx, changed, wait)
				continue
			}
			last, pause, wait = time.Now(), firstPause, a.p.Config.Every
			a.say(true, fmt.Sprintf("up to date: %d told as open", len(open)), 0)
		}
		a.rest(ctx, changed, wait)
		a.rest(ctx, nil, alertBeat)
	}
	return ctx.Err()
}

func (a *Alerts) rest(ctx context.Context, changed <-chan struct{}, d time.Duration) {
	t := time.NewTimer(max(d, time.Millisecond))
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-changed:
	case <-t.C:
	}
}

func (a *Alerts) say(ok bool, sentence string, waiting int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.state.OK && !ok {
		a.p.Log.Warn("an alertmanager is not told", "destination", a.state.Name, "why", sentence)
	}
	if a.state.OK, a.state.Sentence, a.state.Waiting = ok, sentence, int64(waiting); ok {
		a.state.LastDone = time.Now()
	}
}

// remember finds what an earlier run told as open.
func (a *Alerts) remember(ctx context.Context) error {
	var told []labels
	if _, err := a.p.Shelf.Get(ctx, a.p.Config.Name, &told); err != nil {
		return err
	}
	a.told, a.kept = map[string]labels{}, true
	for _, l := range told {
		a.told[l.text()] = l
	}
	return nil
}

// open lists the flags that the server is to know of.
func (a *Alerts) open() map[string]Standing {
	open := map[string]Standing{}
	for _, s := range a.p.Open() {
		if s.Urgency >= a.p.Config.Least {
			open[a.labels(s.Finding).text()] = s
		}
	}
	return open
}

func (a *Alerts) labels(f rules.Finding) labels {
	l := labels{"alertname": f.Flag, "box": a.p.Box, "site": a.p.Site, "urgency": f.Urgency.String(),
		"system": f.System, "step": f.Step, "subject": f.Subject}
	maps.DeleteFunc(l, func(_, v string) bool { return v == "" }) // an empty label is none
	return l
}

// news reports whether the server has been told something else.
func (a *Alerts) news(open map[string]Standing) bool {
	if len(open) != len(a.told) {
		return true
	}
	for k := range open {
		if _, ok := a.told[k]; !ok {
			return true
		}
	}
	return false
}

// tell tells what is open, and what has ended since it was told.
func (a *Alerts) tell(ctx context.Context, open map[string]Standing) error {
	if !a.asked { // the box's own clock may be years off: alerts are told in the server's time
		if err := a.post(ctx, []alert{}); err != nil {
			return err
		}
		a.asked = true
	}
	now := time.Now().Add(a.ahead)
	at := func(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }
	alerts, told := []alert{}, map[string]labels{}
	for _, k := range slices.Sorted(maps.Keys(open)) {
		s := open[k]
		m := message{Finding: s.Finding, Box: a.p.Box, Site: a.p.Site}
		notes := labels{"summary": m.short(), "description": s.Text, "raised": s.Raised.Format("2006-01-02 15:04:05 MST")}
		if s.Acknowledged {
			notes["acknowledged_by"] = cmp.Or(s.By, "somebody")
		}
		told[k] = a.labels(s.Finding)
		alerts = append(alerts, alert{told[k], notes, at(now.Add(-s.Age)), at(now.Add(alertHolds))})
	}
	for _, k := range slices.Sorted(maps.Keys(a.told)) {
		if _, still := open[k]; !still {
			// A second before the server's now: one that lies ahead of it would be taken for another guess.
			alerts = append(alerts, alert{Labels: a.told[k], EndsAt: at(now.Add(-time.Second))})
		}
	}
	if len(alerts) > 0 {
		if err := a.post(ctx, alerts); err != nil {
			return err
		}
	}
	// What was told holds also where it cannot be kept: it is to be told as ended, too.
	a.kept = a.kept && maps.EqualFunc(told, a.told, func(x, y labels) bool { return maps.Equal(x, y) })
	a.told = told
	if !a.kept {
		if err := a.p.Shelf.Put(a.p.Config.Name, slices.Collect(maps.Values(told))); err != nil {
			return fmt.Errorf("the journal cannot keep what was told: %w", err)
		}
		a.kept = true
	}
	return nil
}

// post sends alerts and notes the server's clock.
func (a *Alerts) post(ctx context.Context, alerts []alert) error {
	body, err := json.Marshal(alerts)
	if err != nil { // texts only
		panic("outbox: " + err.Error())
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, a.p.Config.URL+"/api/v2/alerts", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "standwatch")
	if err := a.authorise(req); err != nil {
		return err
	}
	if a.travel == nil {
		roots, err := roots(a.p.Config.CAFile)
		if err != nil {
			return err
		}
		a.travel = transport(roots)
	}
	client := http.Client{Transport: a.travel, Timeout: a.p.Config.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("the alertmanager does not answer: %w", bare(err))
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10)) // a cut answer still says enough
	// A captive portal answers 200 too, with a page.
	if resp.StatusCode != http.StatusOK || strings.Contains(resp.Header.Get("Content-Type"), "html") {
		return fmt.Errorf("the alertmanager does not take it: %d %s; check its url and who may write there", resp.StatusCode,
			cut(strings.TrimSpace(strings.ToValidUTF8(string(text), "?")), 200))
	}
	if date, err := http.ParseTime(resp.Header.Get("Date")); err == nil {
		a.ahead = time.Until(date)
	}
	return nil
}

func (a *Alerts) authorise(req *http.Request) error {
	if a.p.Config.User != "" {
		password, err := secret("", a.p.Config.PasswordFile)
		if err != nil {
			return err
		}
		req.SetBasicAuth(a.p.Config.User, password)
	}
	if a.p.Config.TokenFile != "" {
		token, err := secret("", a.p.Config.TokenFile)
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return nil
}
