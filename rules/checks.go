package rules

import (
	"cmp"
	"slices"
	"strings"
)

// This file knows the checks that no sensor sees: what they are, how a person's
// word on one is written down, and how each stands. A word is a mark `checked`
// whose note reads
//
//	[SYSTEM/]CHECK STATE [by NAME][: REMARK] [photo HASH]...
//
// such as `drains done by Ines: a jug of water through each`. The name of a
// check alone says that it is done. Any other note of a checked mark is a
// remark of its own and ticks nothing.

// Check is one thing to look at that no sensor sees.
type Check struct {
	Name   string
	Before []string // the steps before which it should be settled; it stands with the first
	After  string   // the step after which it can be done; empty: at any time
	Text   string   // what is so when it is done
	Why    string
	Source string
	Own    bool // the site file's own

	flammable bool // of flammable refrigerants only
}

// What a person can say of a check.
const (
	CheckDone      = "done"
	CheckWrong     = "wrong"          // looked at, and not so
	CheckApart     = "does-not-apply" // and the remark says why
	CheckLeft      = "left-open"      // a step was begun all the same, and the remark says why
	CheckWithdrawn = "withdrawn"      // what was said last is taken back
)

var checkStates = []string{CheckDone, CheckWrong, CheckApart, CheckLeft, CheckWithdrawn}

// Tick is what a checked mark says of a check.
type Tick struct {
	System string // as written; empty: the mark's own, or the site's only one
	Check  string
	State  string
	By     string
	Remark string
	Photos []string // their names: the SHA-256 of each, in hexadecimal
}

// Text is the mark's note.
func (t Tick) Text() string {
	s := OfSystem(t.System, t.Check) + " " + t.State
	if t.By != "" {
		s += " by " + t.By
	}
	if t.Remark != "" {
		s += ": " + t.Remark
	}
	for _, p := range t.Photos {
		s += photoWord + p
	}
	return s
}

const (
	photoWord = " photo "
	photoName = 64
)

// IsPhotoName reports whether a text can be a photo's name.
func IsPhotoName(s string) bool {
	return len(s) == photoName && strings.Trim(s, "0123456789abcdef") == ""
}

// CutPhotos takes the photos off a note's end.
func CutPhotos(note string) (text string, photos []string) {
	text = strings.TrimSpace(note)
	for {
		i := len(text) - photoName
		if i < len(photoWord) || !IsPhotoName(text[i:]) || text[i-len(photoWord):i] != photoWord {
			return text, photos
		}
		photos = append([]string{text[i:]}, photos...)
		text = strings.TrimSpace(text[:i-len(photoWord)])
	}
}

// ReadTick reads a checked mark's note. It says of known names only; ok is
// false where the note is something else, or names a check (t has it then) and
// not how it is.
func ReadTick(note string, known func(check string) bool) (t Tick, ok bool) {
	note, t.Photos = CutPhotos(note)
	first, rest, _ := strings.Cut(note, " ")
	first, rest = strings.TrimRight(first, ":"), strings.TrimSpace(rest)
	if i := strings.LastIndexByte(first, '/'); i >= 0 {
		t.System, first = first[:i], first[i+1:]
	}
	if !known(first) {
		return Tick{}, false
	}
	t.Check = first
	if rest == "" {
		t.State = CheckDone
		return t, true
	}
	for _, state := range checkStates {
		said, ok := strings.CutPrefix(rest, state)
		if !ok {
			said, ok = strings.CutPrefix(rest, strings.ReplaceAll(state, "-", " "))
		}
		if !ok {
			continue
		}
		t.State = state
		if remark, ok := strings.CutPrefix(said, ":"); ok {
			t.Remark = strings.TrimSpace(remark)
			return t, true
		}
		if said == "" {
			return t, true
		}
		if said, ok = strings.CutPrefix(said, " by "); ok {
			name, remark, _ := strings.Cut(said, ": ")
			t.By, t.Remark = strings.Trim(name, ": "), strings.TrimSpace(remark)
			return t, true
		}
	}
	return Tick{System: t.System, Check: first}, false
}

// CheckMark is what was said of a check, with where it stands in the journal.
type CheckMark struct {
	Tick
	Seq uint64
	At  Instant
	Own int64 // Unix ms; 0: at At
}

// CheckState is how a check stands.
type CheckState struct {
	Check
	State string      // done, wrong, does-not-apply; empty: open
	Left  bool        // a step was begun all the same since: nobody asks again
	Marks []CheckMark // what was said of it, oldest first
}

// Settled reports whether nothing is left to do about it.
func (s CheckState) Settled() bool { return s.State == CheckDone || s.State == CheckApart }

// Last is what was said of it last; ok is false where nothing was.
func (s CheckState) Last() (m CheckMark, ok bool) {
	if len(s.Marks) == 0 {
		return m, false
	}
	return s.Marks[len(s.Marks)-1], true
}

// mostCheckMarks is how much of what was said of one check is remembered here; the journal has all.
const mostCheckMarks = 50

// CheckList is how the checks of a system stand: what the marks so far have made of them.
type CheckList struct {
	system string
	only   bool // the site has no other: nobody need name it
	inUse  bool
	items  []CheckState
}

// NewCheckList is a system's list before anybody has said anything.
func NewCheckList(site Site, system string) *CheckList {
	l := &CheckList{system: system, only: len(site.Systems) <= 1, inUse: len(site.OwnChecks)+len(site.DropChecks) > 0}
	for _, c := range site.Checks(system) {
		l.items = append(l.items, CheckState{Check: c})
	}
	return l
}

// Renew begins the list anew for another job: what was ticked in the one before
// says nothing of it.
func (l *CheckList) Renew() {
	for i, c := range l.items {
		l.items[i] = CheckState{Check: c.Check}
	}
}

// Checks are those of a system: the trade's, without what the site file drops
// and what is of another refrigerant, and the site file's own.
func (s Site) Checks(system string) (list []Check) {
	flammable := false
	for _, sys := range s.Systems {
		flammable = flammable || sys.Name == system && isFlammable(sys.Refrigerant)
	}
	for _, c := range append(tradeChecks(), s.OwnChecks...) {
		if !slices.Contains(s.DropChecks, c.Name) && (flammable || !c.flammable) {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b Check) int {
		return cmp.Compare(slices.Index(stepNames[:], a.Before[0]), slices.Index(stepNames[:], b.Before[0]))
	})
	return list
}

// isFlammable: class A2L by ISO 817 and ASHRAE 34, of the refrigerants the site file knows.
func isFlammable(refrigerant string) bool { return refrigerant == "R-32" || refrigerant == "R-454B" }

// Tell takes a mark, if it is a checked one of this list.
func (l *CheckList) Tell(e Entry, b *Told) bool {
	t, ok := l.read(b)
	if !ok {
		return false
	}
	c := &l.items[l.index(t.Check)]
	if t.By == "" {
		t.By = b.By
	}
	l.inUse = true
	c.Marks = append(c.Marks[max(0, len(c.Marks)+1-mostCheckMarks):], CheckMark{Tick: t, Seq: e.Seq, At: e.At, Own: b.Own})
	switch t.State {
	case CheckLeft:
		c.Left = true
	case CheckWithdrawn:
		c.State, c.Left = "", false
	default:
		c.State, c.Left = t.State, false
	}
	return true
}

// read reads a mark that is of this list's system.
func (l *CheckList) read(b *Told) (Tick, bool) {
	if b.Kind != "mark" || b.Name != "checked" {
		return Tick{}, false
	}
	t, ok := ReadTick(b.Note, func(name string) bool { return l.index(name) >= 0 })
	system := cmp.Or(t.System, b.System)
	if system != l.system && (system != "" || !l.only) {
		return Tick{}, false
	}
	return t, ok
}

func (l *CheckList) index(name string) int {
	return slices.IndexFunc(l.items, func(c CheckState) bool { return c.Name == name })
}

// All are the checks in the order of the steps.
func (l *CheckList) All() []CheckState { return slices.Clone(l.items) }

// Open are the checks that should be settled before a step, are not, and of which nobody was asked yet.
func (l *CheckList) Open(step string) (open []CheckState) {
	for _, c := range l.items {
		if slices.Contains(c.Before, step) && !c.Settled() && !c.Left {
			open = append(open, c)
		}
	}
	return open
}

// ticked is what was said last of a check that counts as done.
func (l *CheckList) ticked(name string) (m CheckMark, ok bool) {
	if l == nil {
		return m, false
	}
	i := l.index(name)
	if i < 0 || l.items[i].State != CheckDone {
		return m, false
	}
	for _, m := range slices.Backward(l.items[i].Marks) {
		if m.State == CheckDone {
			return m, true
		}
	}
	return m, false
}
