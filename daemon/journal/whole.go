package journal

import (
	"context"
	"fmt"

	"zombiezen.com/go/sqlite"
)

// Whole reads the whole database through, as a dying card damages what nobody
// reads, and says in one sentence what it is. Damage is an error that names its
// first place. It takes as long as the disk takes to read the file, and the
// write-ahead log is not emptied meanwhile: once at the start, not while much
// is written.
func (r *Reader) Whole(ctx context.Context) (sentence string, err error) {
	err = r.read(ctx, "look for damage", func(conn *sqlite.Conn) error {
		conn.SetInterrupt(ctx.Done())
		defer conn.SetInterrupt(nil)
		found, err := text(conn, `PRAGMA quick_check(1)`)
		if err != nil {
			return err
		}
		if found != "ok" {
			return fmt.Errorf("the journal in %s is damaged (%s): export what can be read, move the directory aside, keep it, and start again", r.dir, found)
		}
		last, _, err := end(conn)
		if err != nil {
			return err
		}
		schema, err := number(conn, `PRAGMA user_version`)
		if err != nil {
			return err
		}
		version, err := text(conn, `SELECT sqlite_version()`)
		sentence = fmt.Sprintf("The journal is whole: %d entries, schema %d of %d, SQLite %s.", last, schema, len(schemas), version)
		return err
	})
	return sentence, err
}
