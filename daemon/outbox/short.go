package outbox

import (
	"cmp"
	_ "embed" // words/en.yaml
	"fmt"
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"

	"standwatch/rules"
)

// words/en.yaml holds what messages say beside the judges' own sentences.
//
//go:embed words/en.yaml
var wordFile []byte

type words map[string]string

var english = func() words {
	w := words{}
	if err := yaml.Unmarshal(wordFile, &w); err != nil {
		panic("outbox: words/en.yaml: " + err.Error()) // it is part of the binary: a fault of the build
	}
	return w
}()

func (w words) say(key string, args ...any) string {
	if len(args) == 0 {
		return w[key]
	}
	return fmt.Sprintf(w[key], args...)
}

// How long a message for a phone may be, and how much of it names may take:
// what is longer is cut, so that the matter itself always finds room.
const (
	mostShort  = 200 // runes, the site and the step included
	mostSite   = 28
	mostSystem = 14
)

// short is the message for a phone, in at most 200 characters: what happened,
// with the figure, what it means, what to do. The judge's own sentences where
// they fit; else his first one, and what the catalogue says of the flag.
func (m message) short() string {
	if m.Test {
		return cut(english.say("test", m.Path, m.Box, m.Wall.Format("15:04")), mostShort)
	}
	head, tail := m.head()+": ", ""
	if m.wakes() {
		tail = " " + english.say("caution")
	}
	room := mostShort - utf8.RuneCountInString(head+tail)
	said := m.matter(room)
	if now := english.say("now", m.Stands); m.Stands != "" && utf8.RuneCountInString(said+now)+1 <= room {
		said += " " + now
	}
	return head + said + tail
}

// wakes reports whether the message is to wake somebody.
func (m message) wakes() bool { return m.Edge == rules.Raised && m.Urgency == rules.Wake }

// head says how much it matters, the how many'th call it is, and where.
func (m message) head() string {
	word := english.say("word." + m.word())
	if word == "" {
		word = strings.ToUpper(m.word())
	}
	if m.Call > 1 {
		word = english.say("call", word, m.Call, m.Since.Format("15:04"))
	}
	place := []string{cut(m.Site, mostSite)}
	if m.System != "" {
		place = append(place, cut(m.System, mostSystem))
	}
	if m.Step != "" {
		place = append(place, m.Step)
	}
	head := word + " " + strings.Join(place, ", ")
	if m.Aside != "" {
		head += " (" + m.Aside + ")"
	}
	return head
}

// matter is what happened and what to do, in so many runes.
func (m message) matter(room int) string {
	said := strings.TrimSpace(cmp.Or(m.About, m.Text))
	if utf8.RuneCountInString(said) <= room {
		return said
	}
	do := ""
	if m.Edge == rules.Raised {
		do = english.say("do." + m.Flag)
	}
	if do == "" {
		return fit(said, room)
	}
	return strings.TrimSpace(fit(untilFigure(said), room-1-utf8.RuneCountInString(do)) + " " + do)
}

// figure is a number with its unit, and no part of a point's name.
var figure = regexp.MustCompile(`(?:^|[\s(])[-+]?\d[\d,]*(?:\.\d+)?(?: of \d+(?:\.\d+)?)? ?(?:%|°?[A-Za-zµ]+)`)

// asides are what a sentence can do without: other units, rooms, sources.
var asides = regexp.MustCompile(` ?\([^()]*(?:\([^()]*\))?[^()]*\)`)

// firstFigure is the first number that a text gives, with its unit.
func firstFigure(said string) string { return strings.TrimLeft(figure.FindString(said), " (") }

// untilFigure is what happened: the first sentence, and where that has no
// figure the sentences up to the first one that has.
func untilFigure(said string) string {
	number, s := firstFigure(said), ""
	for _, next := range sentences(said) {
		s = strings.TrimSpace(s + " " + next)
		if strings.Contains(s, number) {
			break
		}
	}
	return s
}

// fit cuts what was said down to so many runes: the first sentences that fit,
// at least the first one down to its first figure.
func fit(said string, room int) string {
	if utf8.RuneCountInString(said) <= room {
		return said
	}
	number, bare := firstFigure(said), withoutAsides(said)
	for _, text := range []string{said, bare} {
		if s := wholes(sentences(text), room); s != "" && strings.Contains(s, number) {
			return s
		}
	}
	return clause(bare, room)
}

// withoutAsides leaves out what stands in brackets, but for the first figure.
func withoutAsides(said string) string {
	var b strings.Builder
	from, at := 0, figure.FindStringIndex(said)
	for _, x := range asides.FindAllStringIndex(said, -1) {
		if at != nil && x[0] < at[1] && at[0] < x[1] {
			continue
		}
		b.WriteString(said[from:x[0]])
		from = x[1]
	}
	return b.String() + said[from:]
}

// wholes are as many whole sentences from the first on as fit.
func wholes(all []string, room int) (s string) {
	for _, next := range all {
		longer := strings.TrimSpace(s + " " + next)
		if utf8.RuneCountInString(longer) > room {
			break
		}
		s = longer
	}
	return s
}

// clause cuts within a sentence: after the last clause that fits, or word by
// word, but never before its first figure has been said. Where even that comes
// too late, what leads up to the figure is left out.
func clause(said string, room int) string {
	least := 0 // bytes that hold the figure
	if at := figure.FindStringIndex(said); at != nil {
		least = at[1]
		if utf8.RuneCountInString(said[:least]) > room-1 {
			lead := said[at[0]:at[1]] + "."
			return cut(said, max(1, room-utf8.RuneCountInString(lead))) + lead
		}
	}
	best, bestWord, runes := 0, 0, 0
	for i, r := range said {
		if runes++; runes > room-1 {
			break
		}
		if i < least {
			continue
		}
		switch r {
		case ',', ';', ':', '.':
			if i+1 < len(said) && said[i+1] == ' ' && runes > room/2 { // a shorter one says too little
				best = i
			}
		case ' ':
			bestWord = i
		}
	}
	if best > 0 {
		return strings.TrimRight(said[:best], ".") + "."
	}
	return said[:max(bestWord, least)] + "…"
}

// sentences splits a text where one ends and the next begins with a capital.
func sentences(text string) (all []string) {
	from := 0
	for i := 0; i+2 < len(text); i++ {
		if text[i] != '.' || text[i+1] != ' ' {
			continue
		}
		if r, _ := utf8.DecodeRuneInString(text[i+2:]); unicode.IsUpper(r) {
			all = append(all, text[from:i+1])
			from = i + 2
		}
	}
	return append(all, text[from:])
}

// cut shortens a text to so many runes, and shows it.
func cut(s string, most int) string {
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	s = string([]rune(s)[:max(0, most-1)])
	if i := strings.LastIndexByte(s, ' '); i > len(s)/2 { // no half a word, where there is more than one
		s = s[:i]
	}
	return strings.TrimRight(s, " ,;:") + "…"
}
