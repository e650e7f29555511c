package rules

import (
	"cmp"
	"encoding/hex"
	"strings"
)

// An earlier visit's bundle is taken in by a mark. Its figures lie on the
// journal's shelf under its check sum; the mark says which bundle, of what, and
// who took it in. Its note reads
//
//	earlier  [SYSTEM: ]SHA-256, SITE[, SYSTEM THERE], job N[, DATE][, although REASON][, by WHO]

// MarkEarlier is the name of that mark.
const MarkEarlier = "earlier"

// Earlier is what the mark says.
type Earlier struct {
	System string // of this site; empty: the mark's own, or the site's only one
	Sum    string // SHA-256 of the bundle, in hex
	What   string // of which site, system, job and day, for who reads the note
	By     string
}

const sumDigits = 64

// Note is the mark's note.
func (e Earlier) Note() string { return jobOf(e.System, 0) + said(e.Sum+", "+e.What, e.By) }

// ReadEarlier reads the note of a system's mark; ok is false where it names no
// bundle, or is another system's.
func (j *Jobs) ReadEarlier(b *Told, system string) (e Earlier, ok bool) {
	if b.Kind != "mark" || b.Name != MarkEarlier {
		return e, false
	}
	m := j.ReadJobMark(b.Note)
	e = Earlier{System: cmp.Or(m.System, b.System), By: cmp.Or(b.By, m.By)}
	e.Sum, e.What, _ = strings.Cut(m.Text, ", ")
	if e.System == "" && len(j.systems) == 1 {
		e.System = j.systems[0]
	}
	sum, err := hex.DecodeString(e.Sum)
	return e, err == nil && len(sum)*2 == sumDigits && e.System == system
}
