package board

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/daemon/web"
	"standwatch/sensors"
)

// store reads curves by InfluxQL from what the boxes' uplink wrote: one
// measurement a quantity, tags box and point. InfluxDB 1.8 answers it, and 2
// for a bucket of the name DATABASE or DATABASE/POLICY.
type store struct {
	c      Store
	client *http.Client
	places chan struct{} // requests at once
	mu     sync.Mutex
	ok     bool
	asked  bool
	text   string
	since  time.Time
	rest   time.Time // not asked again before this
	newest time.Time // when it was last asked
}

// The limits of one look at the store.
const (
	mostAtOnce = 4
	mostAnswer = 4 << 20
	// storeRest keeps pages from waiting for a store that has just not answered.
	storeRest = 5 * time.Second
	// storeLook is how often the store is asked where no page does, so that the board
	// says that it is away before somebody wants a curve.
	storeLook = time.Minute
)

func newStore(c Store) *store {
	return &store{c: c, places: make(chan struct{}, mostAtOnce), client: &http.Client{
		Timeout: c.Timeout,
		// No proxy, whatever the environment says: the token goes to the store that the
		// file names and to nobody else. For the same reason no redirect is followed.
		Transport: &http.Transport{Proxy: nil, DialContext: (&net.Dialer{Timeout: 5 * time.Second}).DialContext,
			TLSHandshakeTimeout: 5 * time.Second, MaxIdleConnsPerHost: mostAtOnce, IdleConnTimeout: 90 * time.Second},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

// secure takes the private authority, where one is named.
func (s *store) secure() error {
	if s.c.CAFile == "" {
		return nil
	}
	pem, err := os.ReadFile(s.c.CAFile)
	if err != nil {
		return err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return fmt.Errorf("%s holds no certificate in PEM form", s.c.CAFile)
	}
	s.client.Transport.(*http.Transport).TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	return nil
}

// quoted writes a name and literal a text as InfluxQL has them.
func quoted(name string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", " ").Replace(name) + `"`
}

func literal(text string) string {
	return `'` + strings.NewReplacer(`\`, `\\`, `'`, `\'`, "\n", " ").Replace(text) + `'`
}

// curve reads a point's means, least and greatest values in equal spans.
func (s *store) curve(ctx context.Context, box string, p sensors.Point, fromMs, toMs int64, most int) ([]journal.Sample, error) {
	if toMs <= fromMs || most < 1 {
		return nil, nil
	}
	width := max((toMs-fromMs)/int64(most), p.Every.Milliseconds(), 1000)
	// Whole spans of the store's own grid; what is cut at either end would be another mean each time.
	fromMs, toMs = fromMs-fromMs%width, toMs-toMs%width+width
	field := quoted(p.Quantity.Field())
	q := fmt.Sprintf(`SELECT min(%s), mean(%s), max(%s) FROM %s WHERE "box" = %s AND "point" = %s AND time >= %dms AND time < %dms GROUP BY time(%dms) fill(none)`,
		field, field, field, quoted(p.Quantity.String()), literal(tag(box)), literal(tag(p.Name)), fromMs, toMs, width)
	rows, err := s.ask(ctx, q)
	if err != nil {
		return nil, err
	}
	var samples []journal.Sample
	for _, r := range rows {
		if len(r) != 4 {
			continue
		}
		ms, err := r[0].Int64()
		low, err1 := r[1].Float64()
		mean, err2 := r[2].Float64()
		high, err3 := r[3].Float64()
		if errors.Join(err, err1, err2, err3) != nil || !p.Quantity.Plausible(low) || !p.Quantity.Plausible(high) {
			continue
		}
		samples = append(samples, journal.Sample{WallMs: ms + width/2, Value: mean, Low: low, High: high})
	}
	return samples, nil
}

// look asks the store for a curve that nobody has, unless it was asked just now:
// the answer is empty, and shows that it is there and lets the board in.
// It tells whether how the store stands has changed.
func (s *store) look(ctx context.Context) (state web.Device, changed bool) {
	was := s.state()
	s.mu.Lock()
	asked, fresh := s.asked, s.asked && time.Since(s.newest) < storeLook/2
	s.mu.Unlock()
	if fresh {
		return was, false
	}
	now := time.Now().UnixMilli()
	_, _ = s.curve(ctx, "", sensors.Point{Quantity: sensors.Temperature, Every: time.Second}, now-1000, now, 1) // noted
	state = s.state()
	return state, state.OK != was.OK || !asked
}

// tag is a tag's value as the uplink writes it.
func tag(s string) string { return strings.TrimRight(s, `\ `) }

// ask sends one query and returns the rows of its one series.
func (s *store) ask(ctx context.Context, q string) ([][]json.Number, error) {
	if err := s.resting(); err != nil {
		return nil, err
	}
	select {
	case s.places <- struct{}{}:
		defer func() { <-s.places }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if err := s.resting(); err != nil { // it may have failed somebody else meanwhile
		return nil, err
	}
	rows, err := s.fetch(ctx, q)
	if ctx.Err() != nil { // the reader has gone; that says nothing of the store
		return nil, ctx.Err()
	}
	s.note(err)
	if err != nil {
		return nil, s.trouble(err)
	}
	return rows, nil
}

func (s *store) trouble(err error) error {
	return fmt.Errorf("store %s: %w", s.c.Name, err)
}

// resting is the last failure, while the store is left alone.
func (s *store) resting() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.asked && !s.ok && time.Now().Before(s.rest) {
		return s.trouble(errors.New(s.text))
	}
	return nil
}

func (s *store) note(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	if ok := err == nil; ok != s.ok || !s.asked {
		s.ok, s.since = ok, now
	}
	s.asked, s.newest = true, now
	s.text = "answers"
	if err != nil {
		s.text, s.rest = err.Error(), now.Add(storeRest)
	}
}

func (s *store) state() web.Device {
	s.mu.Lock()
	defer s.mu.Unlock()
	d := web.Device{Name: s.c.Name, OK: s.ok, Since: s.since}
	switch {
	case !s.asked:
		d.OK, d.Sentence = true, fmt.Sprintf("Store %s: not asked yet.", s.c.Name)
	case s.ok:
		d.Sentence = fmt.Sprintf("Store %s: answers.", s.c.Name)
	default:
		d.Sentence = fmt.Sprintf("Store %s: %s. Curves are missing; how the boxes stand is not, it comes from the brokers.", s.c.Name, s.text)
	}
	return d
}

func (s *store) fetch(ctx context.Context, q string) ([][]json.Number, error) {
	form := url.Values{"db": {s.c.Bucket}, "q": {q}, "epoch": {"ms"}}
	if db, policy, ok := strings.Cut(s.c.Bucket, "/"); ok { // as version 2 writes a database and its policy
		form.Set("db", db)
		form.Set("rp", policy)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(s.c.URL, "/")+"/query?"+form.Encode(), nil)
	if err != nil {
		return nil, err
	}
	token := s.c.Token
	if s.c.TokenFile != "" {
		b, err := os.ReadFile(s.c.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("token_file: %w", err)
		}
		token = strings.TrimSpace(string(b))
	}
	if token != "" {
		req.Header.Set("Authorization", "Token "+token)
	}
	resp, err := s.client.Do(req)
	if err != nil {
		var u *url.Error // which repeats the whole query
		if errors.As(err, &u) {
			err = u.Err
		}
		if errors.Is(err, context.DeadlineExceeded) {
			err = errors.New("no answer in time")
		}
		return nil, fmt.Errorf("does not answer at %s: %w", s.c.URL, err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, mostAnswer))
	if err != nil {
		return nil, fmt.Errorf("broke off its answer: %w", err)
	}
	var answer struct {
		Results []struct {
			Series []struct{ Values [][]json.Number }
			Error  string
		}
		Error, Message string
	}
	err = json.Unmarshal(body, &answer)
	switch {
	case resp.StatusCode == http.StatusUnauthorized || resp.StatusCode == http.StatusForbidden:
		return nil, fmt.Errorf("does not let the board in (%d); check token_file and that the token may read the bucket", resp.StatusCode)
	case resp.StatusCode != http.StatusOK:
		return nil, fmt.Errorf("answers %d %s; check url and bucket", resp.StatusCode, said(answer.Error+answer.Message, mostName))
	case err != nil:
		return nil, errors.New("answers something that is no table; check url")
	case answer.Error != "":
		return nil, errors.New(said(answer.Error, mostName))
	case len(answer.Results) == 0:
		return nil, errors.New("answers nothing")
	case answer.Results[0].Error != "":
		return nil, fmt.Errorf("says %s; check bucket", said(answer.Results[0].Error, mostName))
	case len(answer.Results[0].Series) == 0:
		return nil, nil
	}
	return answer.Results[0].Series[0].Values, nil
}
