package record

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// visitShelf is where the journal keeps what earlier visits left, each under
// the check sum of its bundle. The mark that names it is an entry; the figures
// are another journal's, and nothing here is judged by them.
const visitShelf = "earlier"

// What is read and kept of a bundle at most (our choice: a night of twelve
// units has 95 kB, of which 15 kB are kept).
const (
	mostVisitRead = 16 << 20 // bytes of its record
	mostVisits    = 32       // bundles in one journal
	mostVisitRows = 400      // units, lines, names
	mostFigures   = 60       // of a step, or of a unit in it
	mostOfAll     = 10_000   // figures in all
	mostWord      = 120      // characters of a name
	mostSentence  = 600
	mostSentences = 20
	mostNumber    = 1e12 // no figure in SI is larger
)

// partFigures is the part of a bundle that a later visit reads.
const partFigures = "record.json"

// Visit is what the journal keeps of an earlier visit.
type Visit struct {
	Bundle  string   `json:"bundle_sha256"`
	Key     string   `json:"key,omitempty"` // the fingerprint of who signed it; empty: no signature holds
	Known   string   `json:"key_known"`     // by whom: given, own, earlier; empty: by nobody
	Changed []string `json:"changed,omitempty"`
	Reason  string   `json:"reason,omitempty"` // why it was taken in all the same
	Unread  []string `json:"unread,omitempty"` // what of its record this program could not use, a sentence each
	Record  Record   `json:"record"`           // figures, units and names alone
}

// Who vouches for the key of a visit.
const (
	KeyGiven   = "given"   // somebody compared the fingerprint
	KeyOwn     = "own"     // the same box
	KeyEarlier = "earlier" // it signed a bundle that was taken in before
)

// ErrNoFigures says that a bundle holds no record that a later visit could show.
var ErrNoFigures = errors.New("its record cannot be read: there are no figures in it to show")

// ReadVisit reads a bundle as a later visit does: it is verified, and whatever
// is wrong with it stands in Changed.
func ReadVisit(in io.ReaderAt, size int64) (v Visit, found Verified, err error) {
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(in, 0, size)); err != nil {
		return v, found, err
	}
	v.Bundle = hex.EncodeToString(sum.Sum(nil))
	if found, err = Verify(in, size); err != nil {
		return v, found, err
	}
	v.Key = found.Fingerprint
	for _, f := range found.Faults {
		v.Changed = append(v.Changed, tidied(f.Description, mostSentence))
	}
	if n := len(v.Changed); n > mostSentences {
		v.Changed = append(v.Changed[:mostSentences], fmt.Sprintf("And %d faults more.", n-mostSentences))
	}
	part, ok := found.openAny(partFigures)
	if !ok {
		return v, found, ErrNoFigures
	}
	text, err := io.ReadAll(io.LimitReader(part, mostVisitRead+1))
	if err != nil && len(v.Changed) == 0 {
		return v, found, err
	}
	if v.Record, v.Unread, err = readFigures(text); err != nil {
		return v, found, fmt.Errorf("%w (%v)", ErrNoFigures, err)
	}
	return v, found, nil
}

// readFigures reads the JSON of a record that this box did not make, and keeps
// what a later visit shows. Nothing in it is believed: what is too long, too
// large, of the wrong kind or unknown is left out, and said.
func readFigures(text []byte) (r Record, unread []string, err error) {
	if len(text) > mostVisitRead {
		return r, nil, fmt.Errorf("it is longer than %d MB", mostVisitRead>>20)
	}
	var parts map[string]json.RawMessage
	if err := json.Unmarshal(text, &parts); err != nil {
		return r, nil, errors.New("it is no JSON object")
	}
	say := func(format string, args ...any) {
		if len(unread) < mostSentences {
			unread = append(unread, fmt.Sprintf(format, args...))
		}
	}
	if err := json.Unmarshal(parts["format"], &r.Format); err != nil || r.Format < 1 {
		return r, nil, errors.New("it does not say in which format it is")
	}
	if r.Format > recordFormat {
		say(visitNewer, r.Format, recordFormat)
	}
	for _, p := range []struct {
		name string
		to   any
		must bool // older ones have it, too
	}{
		{"made", &r.Made, false}, {"entries", &r.Entries, false}, {"site", &r.Site, true}, {"zone", &r.Zone, false}, {"system", &r.System, true}, {"job", &r.Job, true},
		{"charge", &r.Charge, true}, {"take_off", &r.TakeOff, true}, {"steps", &r.Steps, true}, {"units", &r.Units, true}, {"signatures", &r.Signatures, false},
	} {
		switch raw, ok := parts[p.name]; {
		case !ok && p.must:
			say(visitLacks, p.name)
		case !ok:
		case json.Unmarshal(raw, p.to) != nil:
			reflect.ValueOf(p.to).Elem().SetZero() // half of it is none of it
			say(visitUnread, p.name)
		}
	}
	var strange []string
	known := keysOf(reflect.TypeFor[Record]())
	for name := range parts {
		if !slices.Contains(known, name) {
			strange = append(strange, tidied(name, 30))
		}
	}
	if len(strange) > 0 {
		slices.Sort(strange)
		say(visitStrange, strings.Join(strange[:min(len(strange), 10)], ", "))
	}
	s := sieve{say: say}
	return s.record(r), unread, nil
}

// keysOf are the names under which a type's fields stand in JSON.
func keysOf(t reflect.Type) (names []string) {
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names
}

// sieve lets through what a later visit shows, bounded and clean.
type sieve struct {
	say  func(format string, args ...any)
	kept int // figures
	odd  int // figures left out
}

func (s *sieve) record(r Record) Record {
	out := Record{Format: r.Format, Made: s.time(r.Made), Entries: r.Entries, Site: tidied(r.Site, mostWord), Zone: tidied(r.Zone, mostWord)}
	out.System = System{Name: tidied(r.System.Name, mostWord), Refrigerant: tidied(r.System.Refrigerant, mostWord)}
	for _, u := range few(s, "indoor units", r.System.Indoor) {
		out.System.Indoor = append(out.System.Indoor, Indoor{Unit: tidied(u.Unit, mostWord), Room: tidied(u.Room, mostWord)})
	}
	out.Job = Job{Number: min(max(r.Job.Number, 0), 1e6), Name: tidied(r.Job.Name, mostWord), State: tidied(r.Job.State, mostWord), Begun: s.time(r.Job.Begun), Ended: s.time(r.Job.Ended)}
	c := r.Charge
	out.Charge = Charge{FactoryKg: s.number(c.FactoryKg), CalculatedKg: s.number(c.CalculatedKg), TargetKg: s.number(c.TargetKg), AdditionalKg: s.number(c.AdditionalKg),
		LowKg: s.number(c.LowKg), HighKg: s.number(c.HighKg), UnweighedKg: s.number(c.UnweighedKg), TotalKg: s.number(c.TotalKg), Weighed: c.Weighed, Result: tidied(c.Result, mostWord)}
	t := r.TakeOff
	out.TakeOff = TakeOff{LiquidM: s.number(t.LiquidM), GasM: s.number(t.GasM), InsideM3: s.number(t.InsideM3)}
	for _, l := range few(s, "lines", t.ByDiameter) {
		out.TakeOff.ByDiameter = append(out.TakeOff.ByDiameter, Length{tidied(l.Line, mostWord), s.number(l.DiameterM), s.number(l.LengthM)})
	}
	for _, u := range few(s, "units", r.Units) {
		out.Units = append(out.Units, UnitRow{Unit: tidied(u.Unit, mostWord), Kind: tidied(u.Kind, mostWord), Room: tidied(u.Room, mostWord), Address: tidied(u.Address, mostWord),
			Model: tidied(u.Model, mostWord), Found: u.Found})
	}
	for _, x := range few(s, "names", r.Signatures) {
		out.Signatures = append(out.Signatures, Signed{Role: tidied(x.Role, mostWord), Name: tidied(x.Name, mostWord), At: s.time(x.At)})
	}
	var strange []string
	for _, x := range r.Steps {
		if name := tidied(x.Step, 30); !slices.Contains(rules.StepNames(), x.Step) && !slices.Contains(strange, name) && len(strange) < 10 {
			strange = append(strange, name)
		}
	}
	if len(strange) > 0 {
		s.say(visitSteps, strings.Join(strange, ", "))
	}
	for _, name := range rules.StepNames() {
		if x, ok := newestStep(r.Steps, name); ok {
			out.Steps = append(out.Steps, s.step(x))
		}
	}
	if s.odd > 0 {
		s.say(visitFigures, s.odd)
	}
	return out
}

// newestStep is the newest of its name that came to figures, else the newest.
func newestStep(all []Step, name string) (newest Step, ok bool) {
	for _, x := range all {
		if x.Step == name && (!ok || hasFigures(x) || !hasFigures(newest)) {
			newest, ok = x, true
		}
	}
	return newest, ok
}

func hasFigures(s Step) bool {
	return len(s.Figures) > 0 || slices.ContainsFunc(s.Units, func(u Unit) bool { return len(u.Figures) > 0 })
}

func (s *sieve) step(x Step) Step {
	out := Step{Step: x.Step, Begun: s.time(x.Begun), Ended: s.time(x.Ended), Open: x.Open, State: tidied(x.State, mostWord), Figures: s.figures(x.Figures), Conditions: s.figures(x.Conditions)}
	for _, u := range few(s, "units", x.Units) {
		out.Units = append(out.Units, Unit{Unit: tidied(u.Unit, mostWord), Room: tidied(u.Room, mostWord), Result: tidied(u.Result, mostWord), Figures: s.figures(u.Figures)})
	}
	return out
}

func (s *sieve) figures(f Figures) (out Figures) {
	for i, v := range f {
		if i >= mostFigures || s.kept >= mostOfAll || !figureKey(v.Key) || !goodNumber(v.Number) {
			s.odd++
			continue
		}
		if _, twice := out.Of(v.Key); twice {
			s.odd++
			continue
		}
		s.kept++
		out = append(out, rules.Value{Key: v.Key, Number: rules.Num(v.Number)})
	}
	return out
}

func goodNumber(v float64) bool { return math.Abs(v) <= mostNumber } // false for NaN

func (s *sieve) number(v float64) float64 {
	if !goodNumber(v) {
		s.odd++
		return 0
	}
	return rules.Num(v)
}

// time is one that a box could have told; else none.
func (s *sieve) time(t time.Time) time.Time {
	if y := t.UTC().Year(); y < 2000 || y > 2200 {
		return time.Time{}
	}
	return t
}

func few[T any](s *sieve, what string, all []T) []T {
	if len(all) > mostVisitRows {
		s.say(visitMany, what, len(all), mostVisitRows)
		return all[:mostVisitRows]
	}
	return all
}

// figureKey reports whether a key is one as judges write them.
func figureKey(key string) bool {
	return key != "" && len(key) <= 40 && strings.Trim(key, "abcdefghijklmnopqrstuvwxyz0123456789_") == ""
}

// tidied is one line of at most so many characters, without what steers a printer or a screen.
func tidied(s string, most int) string {
	if len(s) > 8*most { // before anything is made of it
		s = s[:8*most]
	}
	s = strings.ToValidUTF8(s, "")
	s = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Co, r):
			return -1
		}
		return r
	}, s)), " ")
	if utf8.RuneCountInString(s) > most {
		s = strings.TrimSpace(string([]rune(s)[:most-1])) + "…"
	}
	return s
}

// When is the moment to which a visit's record goes.
func (v Visit) When() time.Time { return v.Record.Made }

// What says of which site, system, job and day a visit is, for a mark's note.
func (v Visit) What() string {
	r := v.Record
	parts := []string{r.Site}
	if r.System.Name != "" {
		parts = append(parts, r.System.Name)
	}
	parts = append(parts, fmt.Sprintf("job %d", r.Job.Number))
	if !r.Made.IsZero() {
		parts = append(parts, r.Made.Format(time.DateOnly))
	}
	if len(v.Changed) > 0 {
		parts = append(parts, "although changed: "+v.Reason)
	}
	return strings.Join(parts, ", ")
}

// Doubts say what speaks against a visit being of a site's system, a sentence each.
func (v Visit) Doubts(site rules.Site, system string) (doubts []string) {
	r := v.Record
	if r.Site != site.Name {
		doubts = append(doubts, visitOtherSite(r.Site, site.Name))
	}
	for _, s := range site.Systems {
		if s.Name != system {
			continue
		}
		if r.System.Name != system && (len(site.Systems) > 1 || system != "" && r.System.Name != "") {
			doubts = append(doubts, visitOtherSystem(r.System.Name, system))
		}
		if r.System.Refrigerant != "" && s.Refrigerant != "" && r.System.Refrigerant != s.Refrigerant {
			doubts = append(doubts, visitOtherFluid(r.System.Refrigerant, s.Refrigerant))
		}
	}
	return doubts
}

// Recognise says who vouches for a visit's key: the fingerprint that somebody
// compared, the box's own, or that of a visit which was taken in before.
func (v *Visit) Recognise(ctx context.Context, r *journal.Reader, own Key, given string) error {
	v.Known = ""
	if v.Key == "" {
		return nil
	}
	err := eachVisit(ctx, r, func(o Visit) {
		if o.Key == v.Key && o.Known != "" && o.Bundle != v.Bundle {
			v.Known = KeyEarlier
		}
	})
	if v.Key == own.Fingerprint() {
		v.Known = KeyOwn
	}
	if given != "" && v.Key == given {
		v.Known = KeyGiven
	}
	return err
}

func eachVisit(ctx context.Context, r *journal.Reader, f func(Visit)) error {
	return r.EachShelved(ctx, visitShelf, func(key string, body []byte) error {
		var v Visit
		if err := json.NewDecoder(bytes.NewReader(body)).Decode(&v); err != nil {
			return fmt.Errorf("what the journal keeps of the bundle %.12s: %w", key, err)
		}
		f(v)
		return nil
	})
}

// KeepVisit puts a visit on the journal's shelf. The mark that names it comes
// after: a visit without one is shown nowhere.
func KeepVisit(j *journal.Journal, v Visit) error {
	return j.Change(func(tx *journal.Change) error {
		n, there := 0, false
		err := tx.Each(visitShelf, func(key string, _ []byte) error {
			n, there = n+1, there || key == v.Bundle
			return nil
		})
		if err != nil {
			return err
		}
		if n >= mostVisits && !there {
			return fmt.Errorf("the journal keeps %d bundles of earlier visits already, and no more", n)
		}
		return tx.Put(visitShelf, v.Bundle, v)
	})
}

// TakenIn finds the mark by which a system's journal took a bundle in.
func TakenIn(ctx context.Context, r *journal.Reader, site rules.Site, system, bundle string) (b *rules.Told, ok bool, err error) {
	marks, err := r.Told(ctx, 0)
	jobs := rules.NewJobs(site)
	for _, e := range marks {
		t, told := e.Body.(*rules.Told)
		if !told {
			continue
		}
		if x, is := jobs.ReadEarlier(t, system); is && x.Sum == bundle {
			return t, true, err
		}
	}
	return nil, false, err
}

// visitsOf are the bundles that marks took in.
func visitsOf(marks []rules.Entry) (named []string) {
	for _, e := range marks {
		if t, ok := e.Body.(*rules.Told); ok && t.Name == rules.MarkEarlier {
			named = append(named, photoName.FindAllString(t.Note, -1)...)
		}
	}
	return named
}

// writeEarlier writes the visits that marks of a journal took in, a line each.
func writeEarlier(ctx context.Context, r *journal.Reader, named []string, w io.Writer) error {
	return r.EachShelved(ctx, visitShelf, func(key string, body []byte) error {
		if !slices.Contains(named, key) {
			return nil
		}
		_, err := fmt.Fprintf(w, "%s\n", body)
		return err
	})
}

// restoreEarlier puts back what a bundle carries of earlier visits. They passed
// through two boxes' hands: they are sifted as if they came from a bundle of their own.
func (v Verified) restoreEarlier(j *journal.Journal) error {
	if !slices.ContainsFunc(v.Manifest.Parts, func(p partSum) bool { return p.Name == partEarlier }) {
		return nil
	}
	return v.eachLine(partEarlier, func(line []byte) error {
		var x Visit
		if err := json.Unmarshal(line, &x); err != nil {
			return err
		}
		s := sieve{say: func(string, ...any) {}}
		x.Record = s.record(x.Record)
		return KeepVisit(j, x)
	})
}
