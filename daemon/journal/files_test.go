package journal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"zombiezen.com/go/sqlite"

	"standwatch/rules"
	"standwatch/sensors"
)

// The test program is its own second process: told so by the environment it
// writes or reads the journal in a directory until it is killed.
const childEnv = "JOURNAL_TEST_CHILD"

func TestMain(m *testing.M) {
	what, dir, _ := strings.Cut(os.Getenv(childEnv), " ")
	var err error
	switch what {
	case "":
		os.Exit(m.Run())
	case "write":
		err = childWrites(dir)
	case "read":
		err = childReads(dir)
	}
	fmt.Println("error", err)
	os.Exit(1)
}

// numbered is the entry that must stand under a number: so any of them can be checked.
func numbered(seq uint64) rules.Entry {
	p := quayside[seq%uint64(len(quayside))]
	at := time.Duration(seq) * time.Millisecond
	e := rules.Entry{Seq: seq, At: rules.Instant{Boot: 1, Since: at}}
	if seq%97 == 0 {
		e.Body = &rules.Told{Kind: "mark", Name: "note", Note: fmt.Sprint(seq)}
		return e
	}
	e.Body = &rules.Measured{Taken: at, Reading: sensors.Reading{Point: p.Name, Value: p.Quantity.FromCounts(int64(seq * 7919 % 1_000_003)), Seq: seq, HasSeq: true}}
	return e
}

func childWrites(dir string) error {
	j, err := Open(context.Background(), dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	if err := j.Points(quayside); err != nil {
		return err
	}
	last, err := j.Last(context.Background())
	if err != nil {
		return err
	}
	for {
		es := make([]rules.Entry, 1+rand.IntN(60))
		rs := make([]sensors.Receipt, len(es))
		for i := range es {
			last++
			es[i] = numbered(last)
			rs[i] = sensors.Receipt{Client: "child", Packet: uint16(last), Hash: last}
		}
		if err := j.Append(es, rs); err != nil {
			return err
		}
		fmt.Println("kept", last)
	}
}

// childReads reads to the end again and again, and says how far it came.
func childReads(dir string) error {
	r, err := OpenReader(context.Background(), dir)
	if err != nil {
		return err
	}
	next := uint64(1)
	for {
		for e, err := range r.Entries(context.Background(), next, 0, nil) {
			if err != nil {
				return err
			}
			if want := numbered(next); fmt.Sprint(want.Seq, want.At, want.Body) != fmt.Sprint(e.Seq, e.At, e.Body) {
				return fmt.Errorf("entry %d is %v %v", next, e, e.Body)
			}
			next++
		}
		fmt.Println("seen", next-1)
		time.Sleep(time.Millisecond)
	}
}

// child starts the second process; lines gives what it prints.
func child(t *testing.T, what, dir string) (kill func(), lines *bufio.Scanner) {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), childEnv+"="+what+" "+dir)
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	kill = func() {
		_ = c.Process.Kill() // SIGKILL; it may have ended
		_, _ = io.Copy(io.Discard, out)
		_ = c.Wait()
	}
	t.Cleanup(kill)
	return kill, bufio.NewScanner(out)
}

// heard reads the number a child prints under a word.
func heard(t *testing.T, lines *bufio.Scanner, word string) uint64 {
	t.Helper()
	if !lines.Scan() {
		t.Fatal("the second process ended")
	}
	w, n, _ := strings.Cut(lines.Text(), " ")
	seq, err := strconv.ParseUint(n, 10, 64)
	if w != word || err != nil {
		t.Fatalf("the second process says: %s", lines.Text())
	}
	return seq
}

// whole checks that the entries are 1, 2, 3 ... without a gap, each as written, and returns the last.
func whole(t *testing.T, entries func(func(rules.Entry, error) bool)) uint64 {
	t.Helper()
	got := keep(t, entries)
	want := make([]rules.Entry, len(got))
	for i := range want {
		want[i] = numbered(uint64(i + 1))
	}
	same(t, want, got)
	return uint64(len(got))
}

func TestKilledAtAnyMomentKeepsWhatItAcknowledged(t *testing.T) {
	dir := t.TempDir()
	for round := range 15 {
		kill, lines := child(t, "write", dir)
		acknowledged := uint64(0)
		for range 1 + rand.IntN(60) {
			acknowledged = heard(t, lines, "kept")
		}
		kill()
		r, err := OpenReader(t.Context(), dir) // nobody has mended anything yet
		if err != nil {
			t.Fatal(err)
		}
		last := whole(t, r.Entries(t.Context(), 0, 0, nil))
		if last < acknowledged {
			t.Fatalf("round %d: %d was acknowledged, the journal ends at %d", round, acknowledged, last)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		j := open(t, dir)
		if again := whole(t, j.Entries(t.Context(), 0, 0, nil)); again != last {
			t.Fatalf("round %d: the writer finds %d entries, the reader found %d", round, again, last)
		}
		receipts, err := j.Receipts(t.Context())
		if err != nil || len(receipts) == 0 || receipts[len(receipts)-1].Hash != last {
			t.Fatalf("round %d: the last receipt is not that of the last entry %d, %v", round, last, err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAnotherProcessReadsWhileThisOneWrites(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	_, lines := child(t, "read", dir)
	last := uint64(0)
	for range 100 {
		es := make([]rules.Entry, 50)
		for i := range es {
			last++
			es[i] = numbered(last)
		}
		put(t, j, es...)
		if last%1000 == 0 {
			for heard(t, lines, "seen") < last {
			}
		}
	}
}

func TestAReaderNeedsNoWriter(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	put(t, j, numbered(1), numbered(2))
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if n := whole(t, r.Entries(t.Context(), 0, 0, nil)); n != 2 {
		t.Errorf("%d entries, want 2", n)
	}
	j = open(t, dir) // and hinders none
	put(t, j, numbered(3))
	if n := whole(t, r.Entries(t.Context(), 0, 0, nil)); n != 3 {
		t.Errorf("%d entries, want 3", n)
	}
}

func TestADirectoryWithoutAJournal(t *testing.T) {
	dir := t.TempDir()
	_, err := OpenReader(t.Context(), dir)
	if err == nil || !strings.Contains(err.Error(), "there is no journal in "+dir) {
		t.Errorf("error %v", err)
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) != 0 {
		t.Errorf("reading made files: %v, %v", files, err)
	}
}

func TestASecondWriterIsRefused(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	put(t, j, numbered(1))
	_, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler))
	if want := fmt.Sprintf("process %d already writes the journal in %s; stop it first", os.Getpid(), dir); err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("error %v, want %q", err, want)
	}
	put(t, j, numbered(2))
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, dir) // a lock file left behind is no lock
}

func TestForeignAndNewerFiles(t *testing.T) {
	for _, c := range []struct{ name, sql, want string }{
		{"newer", "PRAGMA user_version = 1000", fmt.Sprintf("written by a newer standwatch (schema 1000, this one knows %d)", len(schemas))},
		{"older than any", "PRAGMA user_version = 0", "schema 0, which no standwatch ever wrote"},
		{"another program's", "PRAGMA application_id = 7", "another program"},
	} {
		dir := t.TempDir()
		if err := open(t, dir).Close(); err != nil {
			t.Fatal(err)
		}
		conn, err := sqlite.OpenConn(filepath.Join(dir, File), sqlite.OpenReadWrite)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(execute(conn, c.sql), conn.Close()); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: writer's error %v", c.name, err)
		}
		if _, err := OpenReader(t.Context(), dir); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: reader's error %v", c.name, err)
		}
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, File), []byte(strings.Repeat("not a database at all ", 300)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), dir, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("garbage: error %v", err)
	}
}

// A power cut can leave any part of the log's tail. What is left must be a
// beginning of what was written, each commit whole or not there.
func TestAnyTailOfTheLogMayBeMissing(t *testing.T) {
	dir := t.TempDir()
	kill, lines := child(t, "write", dir)
	for range 5 {
		heard(t, lines, "kept")
	}
	kill()
	wal, err := os.ReadFile(filepath.Join(dir, File+"-wal"))
	if err != nil {
		t.Fatal(err)
	}
	db, err := os.ReadFile(filepath.Join(dir, File))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[uint64]bool{}
	for cut := range 40 {
		n := len(wal) * (cut + 1) / 40
		if cut < 39 {
			n -= rand.IntN(40)
		}
		torn := t.TempDir()
		tail := append([]byte(nil), wal[:n]...)
		if cut%2 == 1 && cut < 39 { // the last bytes are there but not what was written
			for i := max(0, n-300); i < n; i++ {
				tail[i] = byte(rand.Uint32())
			}
		}
		for name, b := range map[string][]byte{File: db, File + "-wal": tail} {
			if err := os.WriteFile(filepath.Join(torn, name), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		j := open(t, torn)
		last := whole(t, j.Entries(t.Context(), 0, 0, nil))
		put(t, j, numbered(last+1))
		if again := whole(t, j.Entries(t.Context(), 0, 0, nil)); again != last+1 {
			t.Fatalf("cut at %d: %d entries after one more, want %d", n, again, last+1)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		seen[last] = true
	}
	if len(seen) < 4 {
		t.Errorf("the cuts left only %d different endings; the test tests little", len(seen))
	}
}

func TestAFullDisk(t *testing.T) {
	j := open(t, t.TempDir())
	limit := func(pages int64) { must(t, execute(j.conn, fmt.Sprintf("PRAGMA max_page_count = %d", pages))) }
	pages, err := number(j.conn, "PRAGMA page_count")
	if err != nil {
		t.Fatal(err)
	}
	limit(pages + 20)
	last := uint64(0)
	for err == nil {
		es := make([]rules.Entry, 500)
		for i := range es {
			es[i] = numbered(last + uint64(i) + 1)
			es[i].Seq = 0
		}
		if err = j.Append(es, []sensors.Receipt{{Client: "c", Packet: 1, Hash: last}}); err == nil {
			last += 500
		} else if es[0].Seq != 0 {
			t.Error("entries that were not kept got a number")
		}
		if last > 1e6 {
			t.Fatal("the disk never filled")
		}
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "make room on the disk of") {
		t.Errorf("error %v", err)
	}
	if _, err := j.Find([]rules.Finding{{Text: strings.Repeat("x", 1<<20)}}); !errors.Is(err, ErrFull) {
		t.Errorf("a finding: error %v", err)
	}
	if n := whole(t, j.Entries(t.Context(), 0, 0, nil)); n != last {
		t.Errorf("%d entries, want %d", n, last)
	}
	limit(1 << 30)
	put(t, j, numbered(last+1))
	if n := whole(t, j.Entries(t.Context(), 0, 0, nil)); n != last+1 {
		t.Errorf("with room again: %d entries, want %d", n, last+1)
	}
	receipts, err := j.Receipts(t.Context())
	if err != nil || uint64(len(receipts)) != last/500 {
		t.Errorf("%d receipts of %d commits, %v", len(receipts), last/500, err)
	}
}

func TestHowItIsOpened(t *testing.T) {
	j := open(t, t.TempDir())
	for query, want := range map[string]string{
		"PRAGMA journal_mode": "wal", "PRAGMA synchronous": "2", // FULL
	} {
		if got, err := text(j.conn, query); got != want || err != nil {
			t.Errorf("%s: %s, %v; want %s", query, got, err, want)
		}
	}
	loose, err := text(j.conn, `SELECT group_concat(name) FROM pragma_table_list WHERE schema = 'main' AND type = 'table' AND NOT strict AND name NOT LIKE 'sqlite_%'`)
	if err != nil || loose != "" {
		t.Errorf("tables that are not STRICT: %s, %v", loose, err)
	}
	if db, wal, err := j.Size(t.Context()); db+wal == 0 || err != nil {
		t.Errorf("size %d and %d, %v", db, wal, err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A card that dies damages what nobody reads: Whole finds it, wherever it is.
func TestDamageIsFound(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	for n := range uint64(2000) {
		put(t, j, rules.Entry{At: rules.Instant{Boot: 1, Since: time.Duration(n) * time.Second}, Body: &rules.Told{Kind: "mark", Name: "note", Note: strings.Repeat("x", 200)}})
	}
	sentence, err := j.Whole(t.Context())
	if err != nil || !strings.HasPrefix(sentence, "The journal is whole: 2000 entries, schema ") {
		t.Errorf("%q, %v", sentence, err)
	}
	must(t, j.Close())
	path := filepath.Join(dir, File)
	b, err := os.ReadFile(path)
	must(t, err)
	for i := range 4096 { // a page in the midst of it
		b[len(b)/2/4096*4096+i] ^= 0x5a
	}
	must(t, os.WriteFile(path, b, 0o600))
	r, err := OpenReader(t.Context(), dir)
	must(t, err)
	if _, err := r.Whole(t.Context()); err == nil || !strings.Contains(err.Error(), "is damaged") || !strings.Contains(err.Error(), dir) {
		t.Errorf("damaged: error %v", err)
	}
	must(t, r.Close())
}
