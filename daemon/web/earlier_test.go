package web

import (
	"bytes"
	"fmt"
	"html"
	"log/slog"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// A bundle is shown before it is taken in, and whatever is wrong is a sentence.
func TestABundleIsShownBeforeItIsTakenIn(t *testing.T) {
	for _, c := range []struct {
		file, fingerprint string
		status            int
		says, not         string
	}{
		{"good", "", http.StatusOK, "Every byte is as it was signed", "name=\"reason\""},
		{"good", "be71 09cf 2a35 9282 8978 2d40 2591 c6d4 2be1 4488 4fc5 a4e3 24de 2382 c7b0 908d", http.StatusOK, "compared with the fingerprint", "problem"},
		{"good", "0000", http.StatusUnprocessableEntity, "signed by another key", "take-go"},
		{"changed", "", http.StatusOK, "name=\"reason\"", "Every byte is as"},
		{"elsewhere", "", http.StatusOK, "name=\"elsewhere\"", "name=\"reason\""},
		{"letter", "", http.StatusUnprocessableEntity, "This is no bundle of a standwatch", "take-go"},
		{"large", "", http.StatusUnprocessableEntity, "256 MB", "take-go"},
		{"room", "", http.StatusUnprocessableEntity, "no room for that file", "take-go"},
		{"broken", "", http.StatusUnprocessableEntity, "could not be read to its end", "take-go"},
		{"", "", http.StatusUnprocessableEntity, "Choose a bundle first", "take-go"},
	} {
		var body bytes.Buffer
		m := multipart.NewWriter(&body)
		_ = m.WriteField("system", "") // into memory
		_ = m.WriteField("fingerprint", c.fingerprint)
		if c.file != "" {
			part, err := m.CreateFormFile("bundle", "bundle.zip")
			if err != nil {
				t.Fatal(err)
			}
			_, _ = part.Write([]byte(c.file))
		}
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest(http.MethodPost, "/earlier", &body)
		r.Host = "127.0.0.1:8090"
		r.Header.Set("Content-Type", m.FormDataContentType())
		w := httptest.NewRecorder()
		newFakeBox("hold").screens().handler().ServeHTTP(w, r)
		if text := w.Body.String(); w.Code != c.status || !strings.Contains(text, c.says) || strings.Contains(text, c.not) {
			t.Errorf("%q %q: %d\n%s", c.file, c.fingerprint, w.Code, text)
		}
	}
}

// A page that is closed on the way of a file is no fault of the box, and no error in its log; a
// file that came whole and could not be kept is one.
func TestAnUploadThatBreaksOffIsNoFaultOfTheBox(t *testing.T) {
	for sent, want := range map[string]string{"good": "level=INFO msg=\"a bundle did not arrive whole\"", "broken": "level=ERROR msg=\"a bundle was not read\""} {
		var log bytes.Buffer
		var body bytes.Buffer
		m := multipart.NewWriter(&body)
		part, err := m.CreateFormFile("bundle", "bundle.zip")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = part.Write([]byte(sent))
		if err := m.Close(); err != nil {
			t.Fatal(err)
		}
		text := body.String()
		if sent == "good" {
			text = strings.TrimSuffix(text, "--"+m.Boundary()+"--\r\n") // the connection ends within the file
		}
		h, done := newFakeBox("hold").screens(WithLog(slog.New(slog.NewTextHandler(&log, nil)))).handler(), make(chan struct{})
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			defer close(done)
			r.Host = "127.0.0.1:8090"
			h.ServeHTTP(w, r)
		}))
		conn, err := net.Dial("tcp", server.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		_, err = fmt.Fprintf(conn, "POST /earlier HTTP/1.1\r\nHost: 127.0.0.1:8090\r\nContent-Type: %s\r\nContent-Length: %d\r\n\r\n%s", m.FormDataContentType(), body.Len(), text)
		if err == nil {
			err = conn.(*net.TCPConn).CloseWrite()
		}
		if err != nil {
			t.Fatal(err)
		}
		<-done
		server.Close()
		_ = conn.Close()
		if said := log.String(); !strings.Contains(said, want) || strings.Count(said, "level=") != 1 {
			t.Errorf("of %q the log says %q", sent, said)
		}
	}
}

func TestWhoTakesABundleInIsAsked(t *testing.T) {
	for bundle, says := range map[string]string{"": "no longer waiting", "twice": "taken in before", "word": "needs your name and a reason", "good": ""} {
		visits := &fakeVisits{}
		resp, text := visit(t, newFakeBox("hold").screens(WithVisits(visits)).handler(), "POST", "/earlier/take", form("bundle", bundle, "by", "Ines", "reason", "wet", "elsewhere", "yes"))
		switch {
		case says != "" && (resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, says) || len(visits.taken) > 0):
			t.Errorf("%q: %d\n%s", bundle, resp.StatusCode, text)
		case says == "" && (resp.Header.Get("Location") != "/earlier?done=earlier" || len(visits.taken) != 1 || visits.taken[0] != TakeVisit{By: "Ines", Reason: "wet", Elsewhere: true}):
			t.Errorf("%q: %d %v, %+v", bundle, resp.StatusCode, resp.Header, visits.taken)
		}
	}
}

func TestThePageSetsVisitsSideBySide(t *testing.T) {
	resp, text := visit(t, newFakeBox("hold").screens().handler(), "GET", "/earlier", nil)
	flat := html.UnescapeString(strings.Join(strings.Fields(tags.ReplaceAllString(text, " ")), " "))
	for _, want := range []string{"Visit of 2025-03-12", "23.47 kg", "+0.54 kg", "iu02", "then iu04", "matched by address 2", "19.0 °C", "27.0 °C", "-0.9 K", "Not there now: iu09 (Workshop)", "holds the mark alone"} {
		if !strings.Contains(strings.ReplaceAll(flat, "\u00a0", " "), want) {
			t.Errorf("%d: the page does not say %q\n%s", resp.StatusCode, want, flat)
		}
	}
}
