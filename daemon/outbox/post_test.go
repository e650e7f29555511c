package outbox

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"mime/multipart"
	"net/mail"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"standwatch/daemon/outbox/mailtest"
	"standwatch/rules"
)

// office is a post with its journal, what it told, and what it logged.
type office struct {
	*kept
	*Post
	mu   sync.Mutex
	told []Parcel
	fail error // of telling
	log  bytes.Buffer
}

func newOffice(t *testing.T, server string) *office {
	t.Helper()
	o := &office{kept: newJournal(t)}
	o.open(server)
	return o
}

// open begins anew on the same journal, as after a cut.
func (o *office) open(server string) {
	o.Post = NewPost(PostParts{
		Mail: Mail{Server: server, Security: "none", From: "Box <box-1@quayside.example>", Timeout: 10 * time.Second},
		Box:  "box-1", ID: "j1", Dir: filepath.Join(o.dir, "papers"), Journal: o.Journal, Log: slog.New(slog.NewTextHandler(&o.log, nil)),
		Done: func(_ context.Context, p Parcel) error {
			o.mu.Lock()
			defer o.mu.Unlock()
			if o.fail != nil {
				return o.fail
			}
			o.told = append(o.told, p)
			return nil
		}})
}

func (o *office) heard() []Parcel {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.told)
}

// until runs the post until something holds.
func (o *office) until(t *testing.T, holds func() bool) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- o.Run(ctx) }()
	ok := holds()
	for deadline := time.Now().Add(2 * time.Minute); !ok && time.Now().Before(deadline); ok = holds() {
		time.Sleep(5 * time.Millisecond)
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if !ok {
		t.Fatalf("it never came to pass; %+v, told %d", o.State(), len(o.heard()))
	}
}

func (o *office) waits(t *testing.T) []Waiting {
	t.Helper()
	all, err := o.Waiting(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func (o *office) files(t *testing.T) (names []string) {
	t.Helper()
	all, err := os.ReadDir(filepath.Join(o.dir, "papers"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		names = append(names, f.Name())
	}
	return names
}

const greek = "βιβλιοθήκη-north-record.pdf"

func parcelTo(to string, bodies ...string) Parcel {
	p := Parcel{To: to, Subject: "Record of the start-up: Βιβλιοθήκη\r\nBcc: eve@evil.example\r\n, north", Text: "Enclosed: Ελένη's record.\n.\nend\n", By: "Ines", System: "north", Number: 1, After: 7}
	for i, body := range bodies {
		sum := sha256.Sum256([]byte(body))
		p.Files = append(p.Files, Enclosed{Name: []string{greek, "bundle\"\r\nX-Evil: 1.zip"}[i%2], Media: "application/pdf", Body: strings.NewReader(body)})
		p.Copies = append(p.Copies, rules.Copy{What: []string{"record", "bundle"}[i%2], To: "owner", How: "mail " + to, Of: 7, Sum: hex.EncodeToString(sum[:])})
	}
	return p
}

// A mail with papers reaches a mail server whole: subject and file names in
// Greek, no header that somebody smuggled in, the bytes with their sums.
func TestPapersByMail(t *testing.T) {
	s := &mailtest.Server{}
	o := newOffice(t, s.Serve(t))
	record, bundle := "%PDF "+strings.Repeat("record\n.\n", 20000), "PK"+strings.Repeat("\x00\xff\r\n", 5000)
	if err := o.Put(t.Context(), parcelTo("Site Office <ana@quayside.example>", record, bundle)); err != nil {
		t.Fatal(err)
	}
	if len(s.Got()) != 0 || len(o.files(t)) != 2 {
		t.Fatalf("before it runs: %d mails, files %q", len(s.Got()), o.files(t))
	}
	o.until(t, func() bool { return len(o.heard()) == 1 && o.State().OK && len(o.files(t)) == 0 })
	got := s.Got()[0]
	if got.To != "ana@quayside.example" || len(s.Got()) != 1 {
		t.Errorf("%d mails, the first to %q", len(s.Got()), got.To)
	}
	msg, err := mail.ReadMessage(strings.NewReader(got.Raw))
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range []string{"Bcc", "X-Evil"} {
		if msg.Header.Get(h) != "" {
			t.Errorf("somebody smuggled a %s in: %q", h, msg.Header.Get(h))
		}
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject"))
	if err != nil || subject != "Record of the start-up: Βιβλιοθήκη Bcc: eve@evil.example , north" {
		t.Errorf("subject %q, %v", subject, err)
	}
	if id := msg.Header.Get("Message-Id"); id != "<box-1-j1-papers-7-1@quayside.example>" {
		t.Errorf("message id %q", id)
	}
	_, params, err := mime.ParseMediaType(msg.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	parts := multipart.NewReader(msg.Body, params["boundary"])
	for i, want := range []struct{ name, body string }{{"", "Enclosed: Ελένη's record.\n.\nend\n"}, {greek, record}, {"bundle\"\r\nX-Evil: 1.zip", bundle}} {
		part, err := parts.NextPart() // it undoes quoted-printable
		if err != nil {
			t.Fatalf("part %d: %v", i, err)
		}
		var body io.Reader = part
		if part.Header.Get("Content-Transfer-Encoding") == "base64" {
			body = base64.NewDecoder(base64.StdEncoding, part)
		}
		b, err := io.ReadAll(body)
		if err != nil || i > 0 && string(b) != want.body || i == 0 && strings.ReplaceAll(string(b), "\r\n", "\n") != want.body {
			t.Errorf("part %d: %d bytes, %v", i, len(b), err)
		}
		_, params, err := mime.ParseMediaType(part.Header.Get("Content-Disposition"))
		if i > 0 && (err != nil || params["filename"] != want.name) {
			t.Errorf("part %d is called %q: %v", i, params["filename"], err)
		}
		if part.Header.Get("X-Evil") != "" {
			t.Error("a file's name made a header")
		}
		if d := part.Header.Get("Content-Disposition"); i == 1 && (!strings.Contains(d, "filename*=utf-8''%CE%B2") || strings.Contains(d, "=?")) {
			t.Errorf("a Greek name by RFC 2231: %q", d)
		}
	}
	if p := o.heard()[0]; !p.Taken || p.Refused != "" || p.By != "Ines" || p.Files[1].Size != int64(len(bundle)) || p.Copies[0].Sum != p.Files[0].Sum {
		t.Errorf("told %+v", p)
	}
	if strings.Contains(o.log.String(), "ana@") {
		t.Errorf("an address in the log: %s", &o.log)
	}
}

// What was put is there after a cut, and is sent then; a cut between the
// server's yes and the journal's word sends nothing again.
func TestPapersOutliveACut(t *testing.T) {
	s := &mailtest.Server{}
	o := newOffice(t, "127.0.0.1:1") // nobody there
	if err := o.Put(t.Context(), parcelTo("ana@quayside.example", "record")); err != nil {
		t.Fatal(err)
	}
	o.until(t, func() bool {
		w := o.waits(t)
		return len(w) == 1 && w[0].Trouble != "" && strings.Contains(o.State().Sentence, "127.0.0.1:1")
	}) // the queue is told first
	if st := o.State(); st.OK || st.Waiting != 1 || !strings.Contains(st.Sentence, "127.0.0.1:1") || strings.Contains(st.Sentence, "ana@") {
		t.Errorf("state %+v", st)
	}
	server := s.Serve(t)
	o.fail = errors.New("the box is stopping")
	o.open(server)
	o.until(t, func() bool { w := o.waits(t); return len(w) == 1 && w[0].Taken && w[0].Trouble != "" })
	if len(s.Got()) != 1 || len(o.heard()) != 0 {
		t.Errorf("%d mails, told %d", len(s.Got()), len(o.heard()))
	}
	if err := o.TakeBack(t.Context(), o.waits(t)[0].Key); !errors.Is(err, ErrPostGone) {
		t.Errorf("one that is taken is taken back: %v", err)
	}
	o.fail = nil
	o.open(server)
	o.until(t, func() bool { return len(o.heard()) == 1 && len(o.waits(t)) == 0 })
	if len(s.Got()) != 1 {
		t.Errorf("sent %d times", len(s.Got()))
	}
}

// A refusal for good ends that mail with the server's words, and holds up no
// other; one for now is tried again.
func TestPapersRefused(t *testing.T) {
	grey := 0
	s := &mailtest.Server{Rcpt: func(_ int, to string) error {
		switch {
		case strings.HasPrefix(to, "gone"):
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such person here: " + to}
		case strings.HasPrefix(to, "grey"):
			if grey++; grey == 1 {
				return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "greylisted, come again"}
			}
		}
		return nil
	}}
	o := newOffice(t, s.Serve(t))
	for _, to := range []string{"gone@quayside.example", "grey@quayside.example", "ana@quayside.example"} {
		if err := o.Put(t.Context(), parcelTo(to, "record")); err != nil {
			t.Fatal(err)
		}
	}
	o.until(t, func() bool { return len(o.heard()) == 3 && len(o.files(t)) == 0 })
	var order []string
	for _, p := range o.heard() {
		order = append(order, p.To)
	}
	if !slices.Equal(order, []string{"gone@quayside.example", "ana@quayside.example", "grey@quayside.example"}) {
		t.Errorf("order %q", order)
	}
	if p := o.heard()[0]; p.Taken || !strings.Contains(p.Refused, "no such person here") || strings.Contains(p.Refused, "affected") {
		t.Errorf("refused: %+v", p)
	}
	if len(s.Got()) != 2 {
		t.Errorf("%d mails", len(s.Got()))
	}
	if strings.Contains(o.log.String(), "@quayside") {
		t.Errorf("an address in the log: %s", &o.log)
	}
}

// What cannot be sent is not put into the queue, and leaves no file behind.
func TestPapersNotPut(t *testing.T) {
	o := newOffice(t, "127.0.0.1:1")
	for _, to := range []string{"", "nowhere", "a@b\r\nBcc: c@d", "a b@c.example", "a,b@c.example", `"a b"@c.example`, "ελένη@quayside.example", strings.Repeat("a", 120) + "@c.example"} {
		if err := o.Put(t.Context(), parcelTo(to, "record")); !errors.Is(err, ErrPostAddress) {
			t.Errorf("%q: %v", to, err)
		}
	}
	if err := o.Put(t.Context(), parcelTo("ana@quayside.example", strings.Repeat("x", MostParcel), "x")); !errors.Is(err, ErrPostLarge) {
		t.Errorf("too large: %v", err)
	}
	if left := o.files(t); len(left) != 0 {
		t.Errorf("files %q", left)
	}
	for i := range mostParcels {
		if err := o.Put(t.Context(), parcelTo(fmt.Sprintf("ana%d@quayside.example", i), "record")); err != nil {
			t.Fatal(err)
		}
	}
	if err := o.Put(t.Context(), parcelTo("ana0@quayside.example", "record")); !errors.Is(err, ErrPostTwice) {
		t.Errorf("the same again: %v", err)
	}
	if err := o.Put(t.Context(), parcelTo("ines@quayside.example", "another")); !errors.Is(err, ErrPostFull) {
		t.Errorf("one too many: %v", err)
	}
	if left := o.files(t); len(left) != 1 {
		t.Errorf("the same bytes are kept %d times", len(left))
	}
	// Taken back, it is gone, and its file with the last of them.
	for i, w := range o.waits(t) {
		if err := o.TakeBack(t.Context(), w.Key); err != nil {
			t.Errorf("%d: %v", i, err)
		}
	}
	if err := o.TakeBack(t.Context(), "1"); !errors.Is(err, ErrPostGone) {
		t.Errorf("one that is not there: %v", err)
	}
	o.until(t, func() bool { return o.State().OK && len(o.files(t)) == 0 })
}

// A file that was changed on the disk is not sent.
func TestPapersChangedOnTheDisk(t *testing.T) {
	s := &mailtest.Server{}
	o := newOffice(t, s.Serve(t))
	if err := o.Put(t.Context(), parcelTo("ana@quayside.example", "record")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(o.dir, "papers", o.files(t)[0]), []byte("recorD"), 0o600); err != nil {
		t.Fatal(err)
	}
	o.until(t, func() bool { return strings.Contains(o.waits(t)[0].Trouble, "was changed") })
	if len(s.Got()) != 0 || len(o.heard()) != 0 {
		t.Errorf("%d mails, told %d", len(s.Got()), len(o.heard()))
	}
}
