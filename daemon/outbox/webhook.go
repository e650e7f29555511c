package outbox

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// The headers of a signed message: the signature is HMAC-SHA256, in hex, of
// the time (Unix seconds), a line feed and the body, under the shared secret.
const (
	timeHeader      = "Standwatch-Time"
	signatureHeader = "Standwatch-Signature"
)

type webhook struct {
	Webhook
	mu       sync.Mutex        // a test message may be under way beside the queue
	travel   http.RoundTripper // nil until it is first needed
	patience atomic.Int64      // grown beyond Timeout, in ns
}

// longestPatience bounds how long an answer is waited for that was never in time yet.
// Who answers later than the time-out may take each message all the same: asked no
// more patiently, it would get the first one again and again, and none behind it.
const longestPatience = time.Minute

// unanswered says that a message was sent and its answer waited for as long as any is:
// it may have arrived.
type unanswered struct{ error }

// Unwrap is what failed.
func (u *unanswered) Unwrap() error { return u.error }

// transport dials the destination itself and uses no proxy, whatever the
// environment says: the site file names where messages go. Messages are rare:
// each has a connection of its own.
func transport(roots *x509.CertPool) *http.Transport {
	return &http.Transport{
		TLSClientConfig:     &tls.Config{RootCAs: roots},
		DialContext:         (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout: 10 * time.Second,
		DisableKeepAlives:   true,
	}
}

// client never follows a redirect.
func (w *webhook) client() (*http.Client, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.travel == nil {
		roots, err := roots(w.CAFile)
		if err != nil {
			return nil, err
		}
		w.travel = transport(roots)
	}
	return &http.Client{Transport: w.travel, Timeout: max(w.Timeout, time.Duration(w.patience.Load())),
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, nil
}

func (w *webhook) send(ctx context.Context, m message) error {
	body := m.json()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "standwatch")
	req.Header.Set("Idempotency-Key", m.Key)
	secret, err := secret(w.Secret, w.SecretFile)
	if err != nil {
		return err
	}
	if secret != "" {
		now := strconv.FormatInt(time.Now().Unix(), 10)
		req.Header.Set(timeHeader, now)
		req.Header.Set(signatureHeader, sign(secret, now, body))
	}
	client, err := w.client()
	if err != nil {
		return err
	}
	var asked atomic.Bool // it stands, and has been asked: only then more patience may help
	req = req.WithContext(httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		WroteRequest: func(i httptrace.WroteRequestInfo) { asked.Store(i.Err == nil) }}))
	began := time.Now()
	resp, err := client.Do(req)
	if err == nil && time.Since(began) < w.Timeout { // it answers in time again
		w.patience.Store(0)
	}
	if err != nil {
		if u := (*url.Error)(nil); errors.As(err, &u) && u.Timeout() && asked.Load() {
			longest := max(w.Timeout, longestPatience)
			w.patience.Store(int64(min(2*client.Timeout, longest)))
			if client.Timeout >= longest {
				return &unanswered{fmt.Errorf("the webhook takes what is sent and does not answer within %s", longest)}
			}
		}
		return fmt.Errorf("the webhook does not answer: %w", bare(err))
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 4<<10)) // a cut answer still says enough
	return judge(resp, strings.TrimSpace(strings.ToValidUTF8(string(text), "?")))
}

func sign(secret, now string, body []byte) string {
	h := hmac.New(sha256.New, []byte(secret))
	h.Write([]byte(now + "\n"))
	h.Write(body)
	return hex.EncodeToString(h.Sum(nil))
}

// bare drops the address from an error: it may hold a secret, and errors are shown.
func bare(err error) error {
	var u *url.Error
	if !errors.As(err, &u) {
		return err
	}
	if u.Timeout() {
		return errors.New("no answer in time")
	}
	return u.Err
}

// later is the error of an answer after which the same may be taken another time. Only
// who names a time (RFC 9110, section 10.2.3; RFC 6585, section 4) asks to wait.
func later(who string, resp *http.Response, said string) error {
	s, _ := strconv.ParseUint(resp.Header.Get("Retry-After"), 10, 31) // absent, or a date: our own pause stands
	if s > 0 && (resp.StatusCode == http.StatusTooManyRequests || resp.StatusCode == http.StatusServiceUnavailable) {
		return &postponed{who + " asks to wait: " + said, time.Duration(s) * time.Second}
	}
	return fmt.Errorf("%s does not take it now: %s", who, said)
}

// judge says what an answer means. Only what is said of this one message lets
// it be given up; a wrong url, secret or right is put right by a person, and the
// messages wait for that. A redirect is never followed, and never counts as
// taken: a captive portal answers so.
func judge(resp *http.Response, text string) error {
	status := resp.StatusCode
	said := strings.TrimSpace(fmt.Sprintf("%d %s", status, text))
	switch {
	case status >= 200 && status < 300:
		return nil
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests, status >= 500:
		return later("the webhook", resp, said)
	case status == http.StatusBadRequest, status == http.StatusRequestEntityTooLarge, status == http.StatusUnprocessableEntity:
		return &refusal{said}
	case status >= 400:
		return fmt.Errorf("the webhook does not let the box in (%s); check its url, its secret and who may write there", said)
	}
	return fmt.Errorf("the webhook redirects (%d) instead of taking the message; a captive portal, or an old url", status)
}
