package uplink

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
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
)

// outcome is what an answer means for the lines that were sent.
type outcome uint8

const (
	accepted outcome = iota // 204, and nothing else
	later                   // the store is busy, away or in trouble: the same again after a pause
	refused                 // at least one line is wrong
	tooLarge                // fewer lines at once
	held                    // nothing can be sent until a person puts something right
)

// answer is what came back instead of a yes.
type answer struct {
	status   int
	text     string        // what the store said
	location string        // of a redirect
	after    time.Duration // how long it asked to be left alone
}

func (a *answer) Error() string {
	if a.text == "" {
		return fmt.Sprintf("%d %s", a.status, http.StatusText(a.status))
	}
	return fmt.Sprintf("%d: %s", a.status, a.text)
}

// only204 turns every answer but 204 into an error. A captive portal answers
// 200 with a page, or redirects to one; a client that calls that success loses
// every point. Being an error it also keeps redirects from being followed.
type only204 struct{ next http.RoundTripper }

func (o only204) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := o.next.RoundTrip(req)
	if err != nil || resp.StatusCode == http.StatusNoContent {
		return resp, err
	}
	defer resp.Body.Close()
	body, _ := io.ReadAll(io.LimitReader(resp.Body, 4<<10)) // a cut answer still says enough
	return nil, &answer{
		status:   resp.StatusCode,
		text:     said(body, resp.Header),
		location: resp.Header.Get("Location"),
		after:    retryAfter(resp.Header),
	}
}

// said is the store's own words: the JSON error that stores send (version 1
// says "error", version 2 "message"), else the first line of the body.
func said(body []byte, h http.Header) string {
	var e struct{ Error, Message string }
	if json.Unmarshal(body, &e) == nil {
		for _, s := range []string{e.Message, e.Error} {
			if s != "" {
				return s
			}
		}
	}
	if s := h.Get("X-Influxdb-Error"); s != "" {
		return s
	}
	line, _, _ := strings.Cut(strings.TrimSpace(string(body)), "\n")
	if len(line) > 500 {
		line = line[:500]
	}
	return strings.ToValidUTF8(line, "?")
}

// retryAfter reads Retry-After (RFC 9110, 10.2.3): seconds, or a date. A date
// is compared with the answer's own Date, since the box's clock may be wrong.
func retryAfter(h http.Header) time.Duration {
	v := h.Get("Retry-After")
	if s, err := strconv.ParseUint(v, 10, 31); err == nil {
		return time.Duration(s) * time.Second
	}
	until, err := http.ParseTime(v)
	if err != nil {
		return 0
	}
	now, err := http.ParseTime(h.Get("Date"))
	if err != nil {
		return 0
	}
	return max(0, until.Sub(now))
}

// transport dials the store itself. It uses no proxy, whatever the
// environment says: the site file names the store, and a token must not pass
// through something that nobody named.
func transport(roots *x509.CertPool) *http.Transport {
	return &http.Transport{
		TLSClientConfig:     &tls.Config{RootCAs: roots},
		Proxy:               nil,
		DialContext:         (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout: 10 * time.Second,
		ForceAttemptHTTP2:   true,
		MaxIdleConnsPerHost: 1,
		IdleConnTimeout:     90 * time.Second,
	}
}

// connect makes the writing client; it touches nothing yet.
func connect(c Config, token string, rt http.RoundTripper) api.WriteAPIBlocking {
	authorization := ""
	if token != "" {
		authorization = "Token " + token
	}
	options := influxhttp.DefaultOptions().
		SetHTTPClient(&http.Client{Transport: only204{rt}, Timeout: c.Timeout}).
		SetApplicationName("standwatch")
	service := influxhttp.NewService(strings.TrimRight(c.URL, "/")+"/", authorization, options)
	return api.NewWriteAPIBlocking(c.Org, c.Bucket, service, write.DefaultOptions().SetUseGZip(c.Gzip))
}

// classify says what an error of the client means, and in which words to tell it.
func classify(err error) (what outcome, sentence string, after time.Duration) {
	var a *answer
	if !errors.As(err, &a) {
		if err == nil {
			return accepted, "", 0
		}
		return later, "the store does not answer: " + cause(err), 0
	}
	switch {
	case a.status == http.StatusBadRequest || a.status == http.StatusUnprocessableEntity:
		return refused, a.Error(), 0
	case a.status == http.StatusRequestEntityTooLarge:
		return tooLarge, a.Error(), 0
	case a.status == http.StatusUnauthorized || a.status == http.StatusForbidden:
		return held, fmt.Sprintf("the store does not let the box in (%v); check token_file and what the token may write", a), 0
	case a.status == http.StatusNotFound:
		return held, fmt.Sprintf("the store knows no such place (%v); check url, org and bucket", a), 0
	case a.status >= 300 && a.status < 400:
		return held, fmt.Sprintf("not a store: it redirects (%d) to %q; a captive portal, or a wrong url", a.status, a.location), 0
	case a.status >= 200 && a.status < 300:
		return held, fmt.Sprintf("not a store: it answers %d where a store answers 204; a captive portal, or a wrong url", a.status), 0
	case a.status >= 500, a.status == http.StatusTooManyRequests, a.status == http.StatusRequestTimeout, a.status == http.StatusTooEarly:
		return later, fmt.Sprintf("the store asks to wait (%v)", a), a.after
	}
	return held, fmt.Sprintf("the store answers something unexpected (%v); check url", a), 0
}

// cause strips the method and the address, which the sentence has already.
func cause(err error) string {
	if errors.Is(err, context.DeadlineExceeded) {
		return "no answer in time"
	}
	var u *url.Error
	if errors.As(err, &u) {
		if u.Timeout() {
			return "no answer in time"
		}
		return u.Err.Error()
	}
	return err.Error()
}
