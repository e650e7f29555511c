package daemon

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"standwatch/daemon/journal"
	"standwatch/daemon/outbox"
	"standwatch/daemon/outbox/mailtest"
	"standwatch/daemon/record"
	"standwatch/daemon/stick"
	"standwatch/daemon/web"
	"standwatch/rules"
)

// Copies go by mail and by stick from a box that runs: what went stands in the
// journal with its sum and the entry that it goes to, what was refused raises a
// flag, and the bytes that went are those of the sum.
func TestCopiesLeaveTheBox(t *testing.T) {
	m := &mailtest.Server{Rcpt: func(_ int, to string) error {
		if strings.HasPrefix(to, "gone") {
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such person here"}
		}
		return nil
	}}
	dir := t.TempDir()
	place := t.TempDir()
	d, j := box(t, dir, weighing(time.Now(), func(time.Duration) bool { return false }))
	defer func() { _ = j.Close() }()
	key, err := record.OpenKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	line := "51 22 8:1 / " + place + " rw - vfat /dev/sda1 rw"
	b := &Box{Daemon: d, Journal: j, Dir: dir, Stick: &stick.Stick{Dir: place,
		Mounts: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(line)), nil }}}
	b.Post = outbox.NewPost(outbox.PostParts{Mail: outbox.Mail{Server: m.Serve(t), Security: "none", From: "box@quayside.example", Timeout: 10 * time.Second},
		Box: "box", ID: "j1", Dir: filepath.Join(dir, "papers"), Journal: j, Log: slog.New(slog.DiscardHandler), Done: d.posted})
	d.parts.Followers = append(d.parts.Followers, b.Post)
	c := copies{b, papers{dir: dir, program: "standwatch test", key: key}}
	jobs := func() rules.Job { return d.Now().Jobs[""][0].Job }
	run(t, d, func(ctx context.Context) {
		wait := func(what string, holds func() bool) {
			t.Helper()
			for deadline := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(5 * time.Millisecond) {
				if time.Now().After(deadline) {
					t.Fatalf("never: %s; %+v, %+v", what, b.Post.State(), jobs())
				}
			}
		}
		for _, x := range []rules.Told{{Kind: "begin", Name: "take-off"}, {Kind: "end", Name: "take-off"}, {Kind: "begin", Name: "hand-over"}} {
			if err := d.Tell(ctx, x); err != nil {
				t.Fatal(err)
			}
		}
		wait("what was told", func() bool { return jobs().Ended != 0 })
		g := web.Going{Number: 1, To: "owner", Address: "ana@quayside.example", By: "Ines"}
		if err := c.Mail(ctx, g); err != nil {
			t.Fatal(err)
		}
		wait("two copies by mail", func() bool { return len(jobs().Copies) == 2 })
		got, _ := jobs().CopyTo("owner")
		if got.What != "record" || got.How != "mail ana@quayside.example" || got.By != "Ines" || len(got.Sum) != 64 || got.Of == 0 || got.Of >= got.Seq || jobs().Old(got) {
			t.Errorf("a copy by mail: %+v", got)
		}
		if all := m.Got(); len(all) != 1 || !strings.Contains(all[0].Raw, got.Sum) || !strings.Contains(all[0].Raw, "record.pdf") || !strings.Contains(all[0].Raw, "bundle.zip") {
			t.Errorf("%d mails", len(all))
		}

		// Told twice, as after a cut, it is written down once.
		again := outbox.Parcel{After: got.Of, By: "Ines", Copies: jobs().Copies}
		for i := range again.Copies { // as they were put
			again.Copies[i].System, again.Copies[i].By = "", ""
		}
		if err := d.posted(ctx, again); err != nil {
			t.Error(err)
		}

		g.To, g.Address = "installer", "gone@quayside.example"
		if err := c.Mail(ctx, g); err != nil {
			t.Fatal(err)
		}
		wait("a refusal, and its flag", func() bool {
			for _, f := range d.Now().Flags {
				if f.Flag.Flag == "copy-refused" && f.Subject == "installer" && strings.Contains(f.Text, "no such person here") {
					return len(jobs().Refused) == 1
				}
			}
			return false
		})
		if n := len(jobs().Copies); n != 2 {
			t.Errorf("%d copies are written down", n)
		}
		if left, err := c.Posted(ctx, "", 1); err != nil || len(left) > 1 { // the last may be going yet
			t.Errorf("left %v %v", left, err)
		}

		folder, err := c.ToStick(ctx, g)
		if err != nil {
			t.Fatal(err)
		}
		wait("three more by stick, and the flag over", func() bool { return len(jobs().Copies) == 5 && len(d.Now().Flags) == 0 })
		sums := map[string]bool{}
		if err := filepath.WalkDir(filepath.Join(place, folder), func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			body, err := os.ReadFile(path)
			sum := sha256.Sum256(body)
			sums[hex.EncodeToString(sum[:])] = true
			return err
		}); err != nil || len(sums) != 4 {
			t.Errorf("on the stick in %s: %v %v", folder, sums, err)
		}
		for _, x := range jobs().Copies[2:] {
			if x.How != rules.ByStick || !sums[x.Sum] {
				t.Errorf("no file has the sum of %+v", x)
			}
		}

		var trouble *web.CopyTrouble
		line = strings.ReplaceAll(line, "8:1 /", "8:1 /x")
		if _, err := c.ToStick(ctx, g); !errors.As(err, &trouble) || trouble.Key != "stick-none" || c.Stick().Trouble.Key != "stick-none" {
			t.Errorf("without a stick: %v", err)
		}
		g.Address = "a@b\r\nBcc: c@d"
		if err := c.Mail(ctx, g); !errors.As(err, &trouble) || trouble.Key != "mail-address" {
			t.Errorf("an address that is none: %v", err)
		}
		if n := len(jobs().Copies); n != 5 {
			t.Errorf("%d copies are written down", n)
		}
	})
	// After the box has stopped the marks are there, each with a note that reads back.
	r, err := journal.OpenReader(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	marks, err := r.Told(t.Context(), 0)
	if err := errors.Join(err, r.Close()); err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for _, e := range marks {
		if x, ok := e.Body.(*rules.Told); ok && strings.HasPrefix(x.Name, "copy") {
			count[x.Name]++
			if _, ok := rules.NewJobs(rules.Site{}).ReadCopy(x.Note); !ok {
				t.Errorf("it does not read back: %q", x.Note)
			}
		}
	}
	if count["copy"] != 5 || count["copy-refused"] != 1 {
		t.Errorf("marks %v", count)
	}
}

// A mail's text names what is enclosed, and what is too large for it.
func TestLetterOfPapers(t *testing.T) {
	file := func(name string) leaving {
		return leaving{Paper: web.Paper{File: name}, sum: strings.Repeat("ab", 32), size: 12}
	}
	big := file("bundle.zip")
	l := letter{site: "Βιβλιοθήκη", system: "north", whom: "owner", key: "21fe 31df", job: record.Job{Number: 2, Of: 2, Name: "riser"}, entries: 4711,
		made: time.Date(2026, 3, 12, 9, 30, 0, 0, time.UTC), files: []leaving{file("record.pdf")}, left: &big}
	if got := l.subject(); got != "Record of the start-up: Βιβλιοθήκη, north, job 2 (riser)" {
		t.Errorf("subject %q", got)
	}
	for _, want := range []string{"record.pdf\n  12 bytes, SHA-256:\n  abab", "Too large for a mail", "bundle.zip", "21fe 31df", "entry 4711", "2026-03-12 09:30 UTC", "The job is open", "opens and closes nothing"} {
		if !strings.Contains(l.String(), want) {
			t.Errorf("it lacks %q:\n%s", want, l)
		}
	}
}
