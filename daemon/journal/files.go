package journal

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"zombiezen.com/go/sqlite"
)

// The files in the journal's directory. SQLite adds -wal and -shm beside the first.
const (
	File     = "journal.db"
	lockFile = "journal.lock"
)

// applicationID tells our file from another program's.
const applicationID = 0x53574a31 // "SWJ1"

// schemas are the steps by which the schema grew; its version, in the
// database's user_version, is how many of them it has. A step never changes
// once a box in the field has taken it: what is to be different is a new step.
var schemas = []string{`
CREATE TABLE points (
	id       INTEGER PRIMARY KEY,
	name     TEXT NOT NULL,
	quantity TEXT NOT NULL,
	UNIQUE (name, quantity)
) STRICT;
CREATE TABLE batches (
	first_seq     INTEGER PRIMARY KEY,
	last_seq      INTEGER NOT NULL,
	boot          INTEGER NOT NULL,
	first_ms      INTEGER NOT NULL,
	last_ms       INTEGER NOT NULL,
	taken_low_ms  INTEGER NOT NULL,
	taken_high_ms INTEGER NOT NULL,
	sealed        INTEGER NOT NULL,
	blob          BLOB NOT NULL
) STRICT;
CREATE INDEX batches_to_seal ON batches (first_seq) WHERE sealed = 0;
CREATE TABLE events (
	seq      INTEGER PRIMARY KEY,
	boot     INTEGER NOT NULL,
	since_ms INTEGER NOT NULL,
	kind     TEXT NOT NULL,
	body     TEXT NOT NULL
) STRICT;
CREATE INDEX events_by_kind ON events (kind, seq);
CREATE TABLE findings (
	id         INTEGER PRIMARY KEY,
	flag       TEXT NOT NULL,
	system     TEXT NOT NULL,
	step_begin INTEGER NOT NULL,
	subject    TEXT NOT NULL,
	edge       INTEGER NOT NULL,
	seq        INTEGER NOT NULL,
	boot       INTEGER NOT NULL,
	since_ms   INTEGER NOT NULL,
	body       TEXT NOT NULL,
	UNIQUE (flag, system, step_begin, subject, edge, seq, boot, since_ms)
) STRICT;
CREATE TABLE cursors (
	name TEXT PRIMARY KEY,
	at   INTEGER NOT NULL
) STRICT;
CREATE TABLE frozen (
	follower  TEXT NOT NULL,
	boot      INTEGER NOT NULL,
	offset_ms INTEGER NOT NULL,
	PRIMARY KEY (follower, boot)
) STRICT;
CREATE TABLE quarantine (
	id       INTEGER PRIMARY KEY,
	follower TEXT NOT NULL,
	item     TEXT NOT NULL,
	reason   TEXT NOT NULL
) STRICT;
CREATE TABLE receipts (
	id     INTEGER PRIMARY KEY,
	client TEXT NOT NULL,
	count  INTEGER NOT NULL,
	blob   BLOB NOT NULL
) STRICT;
CREATE INDEX receipts_by_client ON receipts (client, id);
`, `
CREATE TABLE shelf (
	kind TEXT NOT NULL,
	key  TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (kind, key)
) STRICT;
CREATE TABLE photos (
	name TEXT PRIMARY KEY,
	body BLOB NOT NULL
) STRICT;
`, `
CREATE TABLE rollups (
	level_ms      INTEGER NOT NULL,
	boot          INTEGER NOT NULL,
	first_seq     INTEGER NOT NULL,
	last_seq      INTEGER NOT NULL,
	taken_low_ms  INTEGER NOT NULL,
	taken_high_ms INTEGER NOT NULL,
	blob          BLOB NOT NULL,
	PRIMARY KEY (level_ms, boot, first_seq)
) STRICT;
`}

// ErrFull is what Append and the other writing calls return (wrapped) when the
// disk has no room. Nothing of the call is stored; once there is room again the
// journal goes on.
var ErrFull = errors.New("the disk is full")

// busyFor bounds a wait for another process that reads or recovers.
const busyFor = 20 * time.Second

// lockDir makes sure of being the only writer. The lock is the kernel's: it is
// gone with the process, however that ends.
func lockDir(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	switch {
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return nil, fmt.Errorf("journal: no access to the journal in %s; check its owner, whether the disk is mounted read-only, and as whom this was started: %w", dir, err)
	case errors.Is(err, syscall.ENOSPC):
		return nil, fmt.Errorf("journal: %w: make room on the disk of %s (%w)", ErrFull, dir, err)
	case err != nil:
		return nil, fmt.Errorf("journal: open the lock file: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		who := holder(f)
		_ = f.Close() // the error that counts is the one below
		return nil, fmt.Errorf("journal: %s already writes the journal in %s; stop it first or give another directory (%w)", who, dir, err)
	}
	// The number is only for the sentence above, so a failure to write it is no fault.
	if f.Truncate(0) == nil {
		_, _ = fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return f, nil
}

func holder(lock *os.File) string {
	if pid, _ := io.ReadAll(io.LimitReader(lock, 20)); len(strings.TrimSpace(string(pid))) > 0 {
		return "process " + strings.TrimSpace(string(pid))
	}
	return "another process"
}

// Writer tells who writes the journal in dir now; empty: nobody, or it cannot be told.
func Writer(dir string) string {
	f, err := os.Open(filepath.Join(dir, lockFile))
	if err != nil {
		return ""
	}
	defer f.Close() // with it goes the lock
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); !errors.Is(err, syscall.EWOULDBLOCK) {
		return ""
	}
	return holder(f)
}

// checkVersion refuses a SQLite with the WAL-reset fault, which can corrupt a
// database and was mended in 3.51.3.
func checkVersion(conn *sqlite.Conn) error {
	version, err := text(conn, `SELECT sqlite_version()`)
	if err != nil {
		return err
	}
	var major, minor, patch int
	if _, err := fmt.Sscanf(version, "%d.%d.%d", &major, &minor, &patch); err != nil {
		return fmt.Errorf("SQLite calls itself %q, which is no version", version)
	}
	if major*1e6+minor*1e3+patch < 3_051_003 {
		return fmt.Errorf("SQLite %s can damage a write-ahead log; build with modernc.org/sqlite v1.62.0 or later (SQLite 3.51.3 or later)", version)
	}
	return nil
}

// openFile opens the database and hands it, with its schema's version, to what
// makes it ready; a database that does not get ready is closed again.
func openFile(dir, doing string, flags sqlite.OpenFlags, ready func(*sqlite.Conn, int64) error) (*sqlite.Conn, error) {
	conn, err := sqlite.OpenConn(filepath.Join(dir, File), flags)
	if err != nil {
		return nil, explain(doing, dir, err)
	}
	conn.SetBusyTimeout(busyFor)
	err = checkVersion(conn)
	var version int64
	if err == nil {
		version, err = checkSchema(conn)
	}
	if err == nil {
		err = ready(conn, version)
	}
	if err != nil {
		return nil, errors.Join(explain(doing, dir, err), conn.Close())
	}
	return conn, nil
}

func openWriter(dir string) (*sqlite.Conn, error) {
	return openFile(dir, "open", sqlite.OpenReadWrite|sqlite.OpenCreate, func(conn *sqlite.Conn, version int64) error {
		return prepare(conn, version, dir)
	})
}

// prepare makes a database safe to write to, and brings its schema up to date.
func prepare(conn *sqlite.Conn, version int64, dir string) error {
	// EXTRA while the file changes to WAL: it syncs the directory when the
	// rollback journal goes. A journal that came back after a power cut would
	// otherwise undo everything. Then FULL: each commit is synced.
	for _, p := range []string{
		`PRAGMA synchronous = EXTRA`,
		`PRAGMA journal_mode = WAL`,
		`PRAGMA synchronous = FULL`,
		`PRAGMA journal_size_limit = 16777216`,
	} {
		if err := execute(conn, p); err != nil {
			return err
		}
	}
	if version == int64(len(schemas)) {
		return nil
	}
	if err := grow(conn, version); err != nil {
		return err
	}
	return syncDir(dir)
}

// grow takes the steps of the schema that a database lacks, all or none.
func grow(conn *sqlite.Conn, version int64) error {
	script := "BEGIN IMMEDIATE;" + strings.Join(schemas[version:], "") + fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d; COMMIT;",
		applicationID, len(schemas))
	for strings.TrimSpace(script) != "" {
		s, rest, err := conn.PrepareTransient(script)
		if err != nil {
			return err
		}
		_, err = s.Step()
		if err = errors.Join(err, s.Finalize()); err != nil {
			return err
		}
		script = script[len(script)-rest:]
	}
	return nil
}

// checkSchema returns the schema's version, 0 for an empty database.
func checkSchema(conn *sqlite.Conn) (int64, error) {
	version, err := number(conn, `PRAGMA user_version`)
	if err != nil {
		return 0, err
	}
	app, err := number(conn, `PRAGMA application_id`)
	if err != nil {
		return 0, err
	}
	tables, err := number(conn, `SELECT count(*) FROM sqlite_schema`)
	switch {
	case err != nil:
		return 0, err
	case app == 0 && version == 0 && tables == 0:
		return 0, nil
	case app != applicationID:
		return 0, errors.New("the file is a database of another program; give another directory")
	case version > int64(len(schemas)):
		return 0, fmt.Errorf("the journal was written by a newer standwatch (schema %d, this one knows %d); install that version or a later one", version, len(schemas))
	case version < 1:
		return 0, fmt.Errorf("the journal has schema %d, which no standwatch ever wrote; restore it from a copy", version)
	}
	return version, nil
}

func openReader(dir string) (*sqlite.Conn, error) {
	// Asking for the size opens nothing: closing any other handle on the file would drop SQLite's locks.
	if _, err := os.Stat(filepath.Join(dir, File)); err != nil {
		if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
			return nil, fmt.Errorf("journal: there is no journal in %s (no file %s); give the directory a standwatch writes to: %w", dir, File, err)
		}
		return nil, fmt.Errorf("journal: no access to the journal in %s; check its owner, and as whom this was started: %w", dir, err)
	}
	return openFile(dir, "open for reading", sqlite.OpenReadOnly, func(_ *sqlite.Conn, version int64) error {
		if version == 0 {
			return errors.New("the journal is empty: the standwatch that makes it has not come further yet; try again")
		}
		return nil
	})
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// explain says what failed, where, and what to do.
func explain(what, dir string, err error) error {
	if err == nil {
		return nil
	}
	code := sqlite.ErrCode(err)
	switch {
	case code.ToPrimary() == sqlite.ResultFull, errors.Is(err, syscall.ENOSPC):
		return fmt.Errorf("journal: %s: %w: nothing was kept of this; make room on the disk of %s (%w)", what, ErrFull, dir, err)
	case code.ToPrimary() == sqlite.ResultIOErr:
		return fmt.Errorf("journal: %s: the disk of %s does not take what is written or give what is read; check the card or disk and its cable: %w", what, dir, err)
	case code.ToPrimary() == sqlite.ResultCorrupt, code.ToPrimary() == sqlite.ResultNotADB:
		return fmt.Errorf("journal: %s: the journal in %s is damaged; move the directory aside, keep it, and start again: %w", what, dir, err)
	case code.ToPrimary() == sqlite.ResultReadOnly, code.ToPrimary() == sqlite.ResultCantOpen, code.ToPrimary() == sqlite.ResultPerm:
		return fmt.Errorf("journal: %s: no access to the journal in %s; check its owner and whether the disk is mounted read-only: %w", what, dir, err)
	}
	return fmt.Errorf("journal: %s: %w", what, err)
}

// errEnough ends the rows of a query early, without a fault.
var errEnough = errors.New("enough rows")

// rows runs a query and calls f for each row.
func rows(conn *sqlite.Conn, query string, f func(*sqlite.Stmt) error, args ...any) error {
	s, err := conn.Prepare(query)
	if err != nil {
		return err
	}
	for i, a := range args {
		switch a := a.(type) {
		case int64:
			s.BindInt64(i+1, a)
		case string:
			s.BindText(i+1, a)
		case bool:
			s.BindBool(i+1, a)
		case []byte:
			s.BindBytes(i+1, a)
		default:
			return fmt.Errorf("a %T cannot be stored", a)
		}
	}
	for {
		more, err := s.Step()
		if err != nil || !more {
			return errors.Join(err, release(s))
		}
		if err := f(s); err != nil {
			if errors.Is(err, errEnough) {
				err = nil
			}
			return errors.Join(err, release(s))
		}
	}
}

// release ends a statement, and lets go of the blob bound to it. Reset repeats
// the error of Step, which the caller has.
func release(s *sqlite.Stmt) error {
	_ = s.Reset()
	return s.ClearBindings()
}

func execute(conn *sqlite.Conn, query string, args ...any) error {
	return rows(conn, query, func(*sqlite.Stmt) error { return nil }, args...)
}

func number(conn *sqlite.Conn, query string, args ...any) (n int64, err error) {
	err = rows(conn, query, func(s *sqlite.Stmt) error { n = s.ColumnInt64(0); return nil }, args...)
	return n, err
}

func text(conn *sqlite.Conn, query string, args ...any) (t string, err error) {
	err = rows(conn, query, func(s *sqlite.Stmt) error { t = s.ColumnText(0); return nil }, args...)
	return t, err
}
