package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"standwatch/daemon/journal"
	"standwatch/sensors"
)

// Heartbeat is an address that is called while all is well with the box, so
// that somebody elsewhere notices its silence.
type Heartbeat struct {
	URL     string
	URLFile string // holds the address where that is a secret
	Method  string
	Every   time.Duration
	Timeout time.Duration
}

func readHeartbeat(n sensors.Node, faults *[]error) *Heartbeat {
	if n.Kind == sensors.Nothing {
		return nil
	}
	d := sensors.Decode(n, faults)
	h := &Heartbeat{
		URL:     d.Text("url", ""),
		URLFile: d.Path("url_file"),
		Method:  strings.ToUpper(d.OneOf("method", "get", "get", "post")),
		Every:   d.Time("every", time.Minute),
		Timeout: d.Time("timeout", 10*time.Second),
	}
	if (h.URL == "") == (h.URLFile == "") {
		d.Fail(n, "heartbeat wants one of url and url_file", "write url: https://HOST/PATH; where the address is a secret, url_file: secrets/heartbeat.url")
	}
	if h.URL != "" {
		if err := heartbeatAddress(h.URL); err != nil {
			d.Fail(d.Node("url"), "url: "+err.Error(), "write https://HOST/PATH")
		}
	}
	if h.Every < 10*time.Second {
		d.Fail(d.Node("every"), fmt.Sprintf("every: %s is too often", h.Every), "write 10s or more")
	}
	if h.Timeout <= 0 || h.Timeout >= h.Every {
		d.Fail(d.Node("timeout"), "timeout must be longer than nothing and shorter than every", "write 10s")
	}
	d.Done()
	return h
}

func heartbeatAddress(text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return errors.New("this is not an address")
	}
	return nil
}

// alive is how long ago the loop may have turned for the box to be well: it
// turns every second, and does not while a commit hangs or fails.
const alive = 15 * time.Second

// heartbeat calls the address. A beat means that readings are being kept, not
// that a program still runs.
type heartbeat struct {
	Heartbeat
	turned func() time.Duration // how long ago the loop last turned and all was kept
	travel http.RoundTripper

	mu    sync.Mutex
	state journal.FollowerState
}

func newHeartbeat(h Heartbeat, turned func() time.Duration) *heartbeat {
	return &heartbeat{Heartbeat: h, turned: turned, state: journal.FollowerState{Name: "heartbeat", Sentence: "not started yet"},
		travel: &http.Transport{DialContext: (&net.Dialer{Timeout: h.Timeout}).DialContext, TLSHandshakeTimeout: h.Timeout, DisableKeepAlives: true}}
}

// State says how the other side stands.
func (h *heartbeat) State() journal.FollowerState {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.state
}

// Run beats until ctx ends.
func (h *heartbeat) Run(ctx context.Context) error {
	t := time.NewTicker(h.Every)
	defer t.Stop()
	for {
		err := h.beat(ctx)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		h.mu.Lock()
		if h.state.OK, h.state.Sentence = err == nil, "up to date"; err != nil {
			h.state.Sentence = err.Error()
		} else {
			h.state.LastDone = time.Now()
		}
		h.mu.Unlock()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

func (h *heartbeat) beat(ctx context.Context) error {
	if quiet := h.turned(); quiet > alive {
		return fmt.Errorf("no beat is sent: readings have not been kept for %s, and whoever waits for it is to notice", quiet.Truncate(time.Second))
	}
	address := h.URL
	if address == "" {
		b, err := os.ReadFile(h.URLFile)
		if err != nil {
			return fmt.Errorf("the heartbeat's address cannot be read: %w", err)
		}
		if address = strings.TrimSpace(string(b)); heartbeatAddress(address) != nil {
			return fmt.Errorf("%s holds no address; write https://HOST/PATH in one line", h.URLFile)
		}
	}
	req, err := http.NewRequestWithContext(ctx, h.Method, address, nil)
	if err != nil {
		return errors.New("the heartbeat's address is none")
	}
	req.Header.Set("User-Agent", "standwatch")
	client := http.Client{Transport: h.travel, Timeout: h.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		var u *url.Error
		switch {
		case !errors.As(err, &u): // the address may hold a secret
		case u.Timeout():
			err = errors.New("no answer in time")
		default:
			err = u.Err
		}
		return fmt.Errorf("whoever waits for the heartbeat is not reached: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode < 200 || resp.StatusCode > 299 { // a captive portal redirects
		return fmt.Errorf("whoever waits for the heartbeat answers %d; check its address", resp.StatusCode)
	}
	return nil
}
