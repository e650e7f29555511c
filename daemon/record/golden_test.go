package record_test

import (
	"bytes"
	"cmp"
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"standwatch/daemon"
	"standwatch/daemon/journal"
	"standwatch/daemon/record"
	"standwatch/rules"
)

var updateRecord = flag.Bool("update-record", false, "write the golden record of testdata/record anew")

// replayed puts a field log into a new journal, and hands out what was found.
func replayed(t *testing.T, siteFile, log string) (*journal.Journal, []rules.Finding) {
	t.Helper()
	ctx := context.Background()
	site, errs := daemon.Load(siteFile)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	j, err := journal.Open(ctx, t.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	var all []rules.Finding
	found := func(f rules.Finding, _ time.Time) error { all = append(all, f); return nil }
	if _, err := daemon.Replay(ctx, daemon.ReplayParts{Site: site.Site.Site, Rules: rules.All(), Journal: j, Found: found}, []string{log}); err != nil {
		t.Fatal(err)
	}
	return j, all
}

func read(t *testing.T, j *journal.Journal, w record.Which) record.Record {
	t.Helper()
	r, err := record.Read(context.Background(), &j.Reader, w)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// plainText prints a paper's blocks, so that what is laid can be read as text.
func plainText(d record.Document) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	const clock = "2006-01-02 15:04:05 -0700"
	line("%s\n%s\nfoot: %s\nmade: %s", d.Title, d.Subject, d.Foot, d.Made.Format(clock))
	for _, block := range d.Blocks {
		switch x := block.(type) {
		case record.Heading:
			line("\n%s %s", strings.Repeat("#", x.Level), x.Text)
		case record.Paragraph:
			line("%s", strings.TrimSpace(fmt.Sprintf("%s %s", [...]string{"", "small:", "caution:", "result " + x.State + ":"}[x.Tone], x.Text)))
		case record.Facts:
			for _, f := range x {
				line("%s: %s", f.Label, f.Text)
			}
		case record.Table:
			var heads []string
			for _, c := range x.Columns {
				heads = append(heads, c.Title)
			}
			line("table: %s\n  %s", cmp.Or(x.Caption, "("+x.Label+")"), strings.Join(heads, " | "))
			for _, row := range x.Rows {
				line("  %s", strings.ReplaceAll(strings.Join(row, " | "), "\n", " "))
			}
		case record.Curve:
			line("curve: %s, in %s, %s to %s, in decades %t\n  %s", x.Title, x.Unit, x.Begin.Format(clock), x.End.Format(clock), x.Log, x.Describe)
			for _, l := range x.Lines {
				n := 0
				for _, s := range l.Stretches {
					n += len(s)
				}
				line("  line %s: %d samples in %d stretches, fitted %t", l.Name, n, len(l.Stretches), l.Model)
			}
			for _, l := range x.Limits {
				line("  limit %.6g %s, above it is forbidden: %t", l.Value, l.Label, l.Above)
			}
			for _, k := range x.Ticks {
				line("  %s %s", k.At.Format(clock), k.Label)
			}
		case record.Curves:
			line("curves: %s\n  %s", x.Title, x.Note)
			for _, c := range x.Each {
				n := 0
				for _, l := range c.Lines {
					for _, s := range l.Stretches {
						n += len(s)
					}
				}
				line("  %s, in %s, %s to %s, axis over %.4g to %.4g: %d samples in %d lines, %d bands. %s", c.Title, c.Unit, c.Begin.Format(clock), c.End.Format(clock), c.Axis[0], c.Axis[1], n, len(c.Lines), len(c.Bands), c.Describe)
				for _, k := range c.Ticks {
					line("    %s %s", k.At.Format(clock), k.Label)
				}
				for _, a := range c.Spans {
					line("    %s to %s %s", a.From.Format(clock), a.To.Format(clock), a.Name)
				}
			}
		case record.Picture:
			line("picture of %d bytes: %s", x.Size, x.Caption)
		case record.Signature:
			line("signed: %s, %s, %s, %v", x.Role, x.Name, x.Signed.Format(clock), x.Strokes)
		case record.Break:
			line("-- new page")
		default:
			line("a block that this print does not know: %T", x)
		}
	}
	return b.String()
}

// The record of a small invented job, to the letter; deploy/check draws it on
// emulated ARM too. Each of its figures was read against `standwatch replay
// --json` when it was written: do that again after -update-record.
func TestGoldenJob(t *testing.T) {
	dir := filepath.Join("..", "..", "testdata", "record")
	j, _ := replayed(t, filepath.Join(dir, "quayside.yaml"), filepath.Join(dir, "quayside.log.csv"))
	r := read(t, j, record.Which{})
	for name, print := range map[string]func(*bytes.Buffer) error{
		"quayside.csv":  func(b *bytes.Buffer) error { return record.CSV(b, r) },
		"quayside.json": func(b *bytes.Buffer) error { return record.JSON(b, r) },
		"quayside.txt":  func(b *bytes.Buffer) error { _, err := b.WriteString(plainText(record.Lay(r))); return err },
	} {
		var got bytes.Buffer
		if err := print(&got); err != nil {
			t.Fatal(err)
		}
		golden(t, filepath.Join(dir, name), got.Bytes())
	}
}

// golden compares with a file of testdata/record, or writes it.
func golden(t *testing.T, file string, got []byte) {
	t.Helper()
	if *updateRecord {
		if err := os.WriteFile(file, got, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(got, want) {
		return
	}
	gotLines, wantLines := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	told := 0
	for i := range max(len(gotLines), len(wantLines)) {
		var g, w string
		if i < len(gotLines) {
			g = gotLines[i]
		}
		if i < len(wantLines) {
			w = wantLines[i]
		}
		if g != w && told < 10 {
			told++
			t.Errorf("%s:%d:\ngot  %s\nwant %s", filepath.Base(file), i+1, g, w)
		}
	}
}
