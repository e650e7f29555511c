package rules

import (
	"encoding/csv"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// This file reads what people tell of the units that answer (unit-found), of
// how many (counted) and of settings changed (setting). People write as they
// speak; what a page writes is read by the same functions.

// Kinds of units that are counted.
const (
	KindIndoor  = "indoor"
	KindBranch  = "branch"
	KindOutdoor = "outdoor"
)

// Kinds lists them in the order in which they are told.
func Kinds() []string { return []string{KindIndoor, KindBranch, KindOutdoor} }

// UnitFound is a unit that answers: what a unit-found mark says.
type UnitFound struct {
	Unit                       string // as the site file names it, else as written; may be empty
	Address, Room, Model, Note string
	Withdrawn                  bool // it does not answer after all: what was told of it is taken back
}

// Text is the mark's note that says so.
func (f UnitFound) Text() string {
	s := f.Unit
	for _, kv := range []struct{ key, text string }{{"address", f.Address}, {"room", f.Room}, {"model", f.Model}, {"note", f.Note}} {
		if kv.text != "" {
			s += " " + kv.key + " " + kv.text
		}
	}
	if f.Withdrawn {
		s += " withdrawn"
	}
	s = strings.TrimSpace(s)
	if x := NewAddressSheet(System{Units: []Unit{{Name: f.Unit}}}); f.Unit == "" || x.readFound(s) == f {
		return s
	}
	// A room called "Office at stairs", a note "no answer at first": as the fields of a sheet nothing is misread.
	note := f.Note
	if f.Withdrawn {
		note = "withdrawn"
	}
	var b strings.Builder
	w := csv.NewWriter(&b)
	_ = w.Write([]string{f.Unit, f.Address, f.Room, f.Model, note}) // into memory
	w.Flush()
	return strings.TrimSpace(b.String())
}

// SettingChange is a setting changed at a unit: its number, from what to what.
type SettingChange struct{ Unit, Number, From, To, Note string }

// Text is the note of its setting mark.
func (c SettingChange) Text() string {
	s := c.Unit
	for _, kv := range []struct{ key, text string }{{"setting", c.Number}, {"from", c.From}, {"to", c.To}, {"note", c.Note}} {
		if kv.text != "" {
			s += " " + kv.key + " " + kv.text
		}
	}
	return strings.TrimSpace(s)
}

// AddressRow is one line of the address sheet.
type AddressRow struct {
	UnitFound
	Kind   string   // empty: the site file knows no such unit
	Site   Unit     // of an indoor unit, as the site file has it
	Found  bool     // somebody told that it answers
	Others []string // further addresses at which the same unit was found
}

// AddressSheet is what is entered of a system's units: a row each, the site
// file's first, in its order.
type AddressSheet struct {
	Rows     []AddressRow
	Settings []SettingChange
	Counts   map[string]int // what was counted last, by kind; Kinds gives the order
	All      int            // counted of all kinds together; -1: not told
	Odd      []string       // what could not be read as a count
	Planned  []Planned      // as the last unit list that was taken in has them
	system   string
	others   []string // units of the site's other systems
}

// NewAddressSheet is the sheet before anybody has entered anything. What is
// told of units of the site's other systems is not of this one: a field log's
// marks name no system.
func NewAddressSheet(plant System, others ...string) *AddressSheet {
	x := &AddressSheet{Counts: map[string]int{}, All: -1, system: plant.Name, others: others}
	for _, u := range plant.Units {
		x.Rows = append(x.Rows, AddressRow{UnitFound: UnitFound{Unit: u.Name}, Kind: KindIndoor, Site: u})
	}
	for _, n := range plant.Branches {
		x.Rows = append(x.Rows, AddressRow{UnitFound: UnitFound{Unit: n}, Kind: KindBranch})
	}
	for _, n := range plant.Outdoor {
		x.Rows = append(x.Rows, AddressRow{UnitFound: UnitFound{Unit: n}, Kind: KindOutdoor})
	}
	return x
}

// Tell takes a mark and reports whether it is one of the sheet's.
func (x *AddressSheet) Tell(b *Told) bool {
	if b.Kind != "mark" {
		return false
	}
	switch b.Name {
	case "unit-found":
		f := x.readFound(b.Note)
		if slices.ContainsFunc(x.others, func(o string) bool { return o == f.Unit || plain(o) == plain(f.Unit) && f.Unit != "" }) {
			return false
		}
		x.found(f)
	case "counted":
		x.counted(b)
	case "setting":
		if strings.Contains(b.Note, rowAdded) || strings.Contains(b.Note, rowRemoved) { // a take-off's
			return false
		}
		if strings.Contains(b.Note, unitPlanned) || strings.Contains(b.Note, noneArePlanned) {
			return x.plan(strings.TrimPrefix(b.Note, OfSystem(x.system, "")))
		}
		x.Settings = append(slices.Clone(x.Settings), x.readSetting(b.Note))
	default:
		return false
	}
	return true
}

// Expected is how many units of a kind the site file lists.
func (x *AddressSheet) Expected(kind string) (n int) {
	for _, r := range x.Rows {
		if r.Kind == kind {
			n++
		}
	}
	return n
}

// FoundOf is how many of them somebody has found by name.
func (x *AddressSheet) FoundOf(kind string) (n int) {
	for _, r := range x.Rows {
		if r.Kind == kind && r.Found {
			n++
		}
	}
	return n
}

// Missing lists the units of a kind that nobody has found by name.
func (x *AddressSheet) Missing(kind string) (us []AddressRow) {
	for _, r := range x.Rows {
		if r.Kind == kind && !r.Found {
			us = append(us, r)
		}
	}
	return us
}

// Unknown lists what was found and is not on the site file's list.
func (x *AddressSheet) Unknown() (us []AddressRow) { return x.Missing("") }

func (x *AddressSheet) found(f UnitFound) {
	x.Rows = slices.Clone(x.Rows)
	i := slices.IndexFunc(x.Rows, func(r AddressRow) bool {
		return f.Unit != "" && r.Unit == f.Unit || f.Unit == "" && r.Unit == "" && f.Address != "" && SameAddress(r.Address, f.Address)
	})
	if f.Withdrawn {
		x.withdraw(i, f)
		return
	}
	if i < 0 {
		x.Rows = append(x.Rows, AddressRow{UnitFound: f})
		return
	}
	r := &x.Rows[i]
	if r.Found && r.Address != "" && f.Address != "" && !SameAddress(r.Address, f.Address) {
		if !slices.ContainsFunc(r.Others, func(a string) bool { return SameAddress(a, f.Address) }) {
			r.Others = append(slices.Clone(r.Others), f.Address)
		}
		f.Address = ""
	}
	r.Found = r.Kind != ""
	for _, kv := range []struct {
		to   *string
		text string
	}{{&r.Address, f.Address}, {&r.Room, f.Room}, {&r.Model, f.Model}, {&r.Note, f.Note}} {
		if kv.text != "" {
			*kv.to = kv.text
		}
	}
}

// withdraw takes back that a unit was found: at one of several addresses, or at all.
func (x *AddressSheet) withdraw(i int, f UnitFound) {
	if i < 0 {
		return
	}
	r := &x.Rows[i]
	all := r.Others
	if r.Address != "" {
		all = append([]string{r.Address}, all...)
	}
	left := slices.DeleteFunc(slices.Clone(all), func(a string) bool { return SameAddress(a, f.Address) })
	switch {
	case f.Address != "" && len(left) > 0:
		r.Address, r.Others = left[0], left[1:]
	case r.Kind == "":
		x.Rows = slices.Delete(x.Rows, i, i+1)
	default:
		*r = AddressRow{UnitFound: UnitFound{Unit: r.Unit}, Kind: r.Kind, Site: r.Site}
	}
}

// Twice lists the addresses at which two units of a kind answer, and the units that answer at two.
func (x *AddressSheet) Twice() (said []string) {
	for i, r := range x.Rows {
		for _, a := range r.Others {
			said = append(said, foundAtTwo(r.Unit, r.Address, a))
		}
		if r.Address == "" {
			continue
		}
		for _, o := range x.Rows[i+1:] {
			if (o.Kind == r.Kind || o.Kind == "" && r.Kind == KindIndoor) && SameAddress(o.Address, r.Address) {
				said = append(said, addressTwice(r.Address, r.Unit, o.Unit))
			}
		}
	}
	return said
}

// SameAddress reports whether two addresses, as people wrote them, are one; an
// empty one is none.
func SameAddress(a, b string) bool { return plain(a) == plain(b) && a != "" }

// plain is a name without what people write in different ways: case, blanks,
// hyphens, noughts before a number.
func plain(name string) string {
	var b strings.Builder
	digits := false
	for i, r := range name {
		switch {
		case unicode.IsDigit(r):
			if r == '0' && !digits && i+1 < len(name) && unicode.IsDigit(rune(name[i+1])) {
				continue
			}
			digits = true
			b.WriteRune(r)
			continue
		case unicode.IsLetter(r):
			b.WriteRune(unicode.ToLower(r))
		case r == '.' || r == ':' || r == '/':
			b.WriteRune(r)
		}
		digits = false
	}
	return b.String()
}

// named is the site file's name of a unit that somebody wrote.
func (x *AddressSheet) named(text string) (string, bool) {
	p := plain(text)
	for _, r := range x.Rows {
		if r.Kind != "" && (r.Unit == text || p != "" && plain(r.Unit) == p) {
			return r.Unit, true
		}
	}
	for _, o := range x.others {
		if o == text || p != "" && plain(o) == p {
			return o, true
		}
	}
	return text, false
}

// inRoom is the indoor unit of a room, where there is but one.
func (x *AddressSheet) inRoom(room string) (unit string, ok bool) {
	for _, r := range x.Rows {
		if r.Kind == KindIndoor && room != "" && plain(r.Site.Room) == plain(room) {
			if ok {
				return "", false
			}
			unit, ok = r.Unit, true
		}
	}
	return unit, ok
}

var foundKeys = map[string]string{"address": "address", "addr": "address", "adr": "address", "at": "address", "room": "room", "model": "model", "type": "model", "note": "note"}

// readFound reads the note of a unit-found mark: iu03 address 3 room Reading room model X,
// or the fields of a sheet, iu03,3,Reading room,X,note.
func (x *AddressSheet) readFound(note string) (f UnitFound) {
	if fields, err := csv.NewReader(strings.NewReader(note)).Read(); err == nil && len(fields) > 1 {
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		first, _, _ := strings.Cut(fields[1], " ")
		_, known := x.named(fields[0])
		if foundKeys[bare(first)] == "" && (known || !strings.ContainsRune(fields[0], ' ')) {
			for len(fields) < 5 {
				fields = append(fields, "")
			}
			f = UnitFound{Unit: fields[0], Address: fields[1], Room: fields[2], Model: fields[3], Note: strings.Join(fields[4:], ", ")}
			if n := strings.ToLower(strings.TrimSpace(f.Note)); n == "withdrawn" {
				f.Note, f.Withdrawn = "", true
			}
			return x.placed(f)
		}
	}
	low := " " + strings.ToLower(note) + " "
	for _, word := range []string{" withdrawn", " missing", " not found", " does not answer", " no answer"} {
		if at := strings.Index(low, word); at >= 0 && len(low) == len(note)+2 {
			note, f.Withdrawn = strings.TrimRight(note[:at], " ,;:"), true
			break
		}
	}
	if rest, ok := strings.CutPrefix(note, "no "); ok {
		note, f.Withdrawn = rest, true
	}
	if name, ok := x.inRoom(note); ok {
		return UnitFound{Unit: name, Withdrawn: f.Withdrawn}
	}
	said := keyed(strings.ReplaceAll(note, "#", " address "), foundKeys)
	lead := said("")
	if w := bare(lead); w == "unit" || w == "a unit" {
		lead = ""
	}
	f.Address, f.Room, f.Model, f.Note = said("address"), said("room"), said("model"), said("note")
	if first, rest, ok := strings.Cut(f.Address, " "); ok && lead == "" { // address 3: iu03
		f.Address, lead = strings.Trim(first, ",;:"), rest
	}
	f.Unit = lead
	if _, known := x.named(lead); !known {
		words := strings.Fields(lead)
		for i, w := range words {
			if name, ok := x.named(bare(w)); ok {
				f.Unit = name
				if f.Note == "" {
					f.Note = strings.Join(slices.Delete(slices.Clone(words), i, i+1), " ")
				}
				break
			}
		}
	}
	return x.placed(f)
}

// placed finds the unit that is meant.
func (x *AddressSheet) placed(f UnitFound) UnitFound {
	if name, ok := x.named(f.Unit); ok {
		f.Unit = name
		return f
	}
	if name, ok := x.inRoom(f.Room); ok && f.Unit == "" {
		f.Unit = name
		return f
	}
	for _, room := range []string{f.Unit, f.Unit + " room", "room " + f.Room} { // Map room at 2, room 1 at 1
		if name, ok := x.inRoom(room); ok {
			f.Unit = name
			break
		}
	}
	return f
}

func firstWord(s string) string {
	w, _, _ := strings.Cut(s, " ")
	return bare(w)
}

func bare(word string) string { return strings.ToLower(strings.Trim(word, ",;:.=")) }

// keyed cuts a text at key words: what follows one is its value; what comes before the first is under "".
func keyed(text string, keys map[string]string) (of func(key string) string) {
	parts := map[string]string{}
	key := ""
	for _, w := range strings.Fields(strings.ReplaceAll(text, "=", " ")) {
		if k := keys[bare(w)]; k != "" && parts[k] == "" {
			key = k
			continue
		}
		if parts[key] != "" {
			parts[key] += " "
		}
		parts[key] += w
	}
	return func(key string) string { return strings.Trim(parts[key], ",;: ") }
}

var settingKeys = map[string]string{"setting": "number", "number": "number", "no": "number", "nr": "number", "code": "number", "mode": "number",
	"from": "from", "to": "to", "note": "note"}

// readSetting reads the note of a setting mark: iu03 setting 12 from 0 to 3, or iu03,12,0,3.
func (x *AddressSheet) readSetting(note string) (c SettingChange) {
	if fields, err := csv.NewReader(strings.NewReader(note)).Read(); err == nil && len(fields) >= 4 {
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		c = SettingChange{fields[0], fields[1], fields[2], fields[3], strings.Join(fields[4:], ", ")}
		for _, f := range []*string{&c.Number, &c.From, &c.To} { // iu03, setting 12, from 0, to 3
			if w, rest, ok := strings.Cut(*f, " "); ok && settingKeys[bare(w)] != "" {
				*f = strings.TrimSpace(rest)
			}
		}
	} else {
		of := keyed(note, settingKeys)
		c = SettingChange{of(""), of("number"), of("from"), of("to"), of("note")}
	}
	if name, ok := x.named(c.Unit); ok {
		c.Unit = name
	} else if name, ok := x.named(firstWord(c.Unit)); ok {
		_, rest, _ := strings.Cut(c.Unit, " ")
		if c.Unit = name; c.Number == "" {
			c.Number = strings.TrimSpace(rest)
		}
	}
	return c
}

var kindWords = map[string]string{"indoor": KindIndoor, "indoors": KindIndoor, "iu": KindIndoor, "idu": KindIndoor, "idus": KindIndoor, "branch": KindBranch, "branches": KindBranch, "box": KindBranch,
	"boxes": KindBranch, "bu": KindBranch, "outdoor": KindOutdoor, "outdoors": KindOutdoor, "module": KindOutdoor, "modules": KindOutdoor, "ou": KindOutdoor, "odu": KindOutdoor, "odus": KindOutdoor,
	"total": kindAll, "together": kindAll, "altogether": kindAll, "overall": kindAll}

const kindAll = "all"

// wanted are words after which a number is what there should be, not what there is.
var wanted = map[string]bool{"expected": true, "expect": true, "should": true, "list": true, "listed": true, "drawing": true, "missing": true, "lacks": true, "without": true}

// tally is a number that somebody wrote, with what it is of where that was said.
type tally struct {
	n, of int // of: 3 of 4; -1: not said
	kind  string
}

// tallies reads the numbers of a note: 12 indoor units, 3 branch units; indoor:
// 4, branch: 1; 3 of 4 indoor units. ok is false where they can be taken in two ways.
func tallies(note string) (all []tally, ok bool) {
	var words []string
	word := func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '/' }
	for _, w := range strings.FieldsFunc(strings.ToLower(note), word) {
		if a, b, cut := strings.Cut(w, "/"); cut {
			words = append(words, a, "of", b)
			continue
		}
		words = append(words, w)
	}
	var kinds []string // in the order of the words; "" where a number stands
	for i := 0; i < len(words); i++ {
		if wanted[words[i]] {
			return nil, false
		}
		if kind := kindWords[words[i]]; kind != "" {
			if len(kinds) == 0 || kinds[len(kinds)-1] != kind { // indoor units in all boxes
				kinds = append(kinds, kind)
			}
			continue
		}
		n, err := strconv.Atoi(words[i])
		if err != nil {
			continue
		}
		t := tally{n: n, of: -1}
		if i+2 < len(words) && words[i+1] == "of" {
			if m, err := strconv.Atoi(words[i+2]); err == nil {
				t.of, i = m, i+2
			}
		}
		all, kinds = append(all, t), append(kinds, "")
	}
	named := len(kinds) - len(all)
	if named == 0 || len(all) == 0 {
		if len(all) == 0 && named == 1 {
			return []tally{{n: -1, of: -1, kind: kinds[0]}}, true // a kind alone: the value is of it
		}
		return all, len(all)+named <= 1
	}
	if named != len(all) {
		return nil, false
	}
	for k := 0; k < len(kinds); k += 2 { // in pairs, the number first or the kind first, but all alike
		number, kind := k, k+1
		if kinds[0] != "" {
			number, kind = k+1, k
		}
		if kinds[number] != "" || kinds[kind] == "" {
			return nil, false
		}
		all[k/2].kind = kinds[kind]
	}
	return all, true
}

// counted reads a counted mark: a value with what it is of in the note (without
// a word, indoor units), or a note that counts. What can be taken in two ways is no count.
func (x *AddressSheet) counted(b *Told) {
	said, ok := tallies(b.Note)
	has := b.Unit != "" || b.Value != 0
	n := int(math.Round(b.Value))
	switch {
	case b.Unit != "" && b.Unit != "1", has && (float64(n) != b.Value || n < 0 || n > 10000), !has && (!ok || len(said) == 0):
		ok = false
	case has && (!ok || len(said) == 0): // the note says something else
		said, ok = []tally{{n: n, of: -1}}, ok || !strings.ContainsFunc(b.Note, unicode.IsDigit)
	case has && len(said) == 1 && said[0].n < 0:
		said[0].n = n
	case has && len(said) == 1 && said[0].kind == "" && said[0].of < 0: // a remark
		said[0].n = n
	case has && len(said) == 1:
		ok = said[0].n == n
	case has:
		if !slices.ContainsFunc(said, func(t tally) bool { return t.n == n }) {
			ok = false
		}
	case len(said) == 1 && said[0].n < 0:
		ok = false
	}
	counts, all := maps.Clone(x.Counts), x.All
	for _, t := range said {
		kind := t.kind
		if kind == "" {
			kind = KindIndoor
		}
		whole := x.Expected(kind)
		if kind == kindAll {
			all, whole = t.n, len(x.Rows)-len(x.Unknown())
		} else {
			counts[kind] = t.n
		}
		ok = ok && (t.of < 0 || t.of == whole)
	}
	if !ok {
		text := b.Note
		if has {
			text = strings.TrimSpace(strconv.FormatFloat(b.Value, 'g', -1, 64) + " " + strings.TrimPrefix(b.Unit, "1") + " " + text)
		}
		x.Odd = append(slices.Clone(x.Odd), text)
		return
	}
	x.Counts, x.All, x.Odd = counts, all, nil
}
