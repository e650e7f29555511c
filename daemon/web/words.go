package web

import (
	"embed"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"strings"
	"time"

	"github.com/goccy/go-yaml"

	"standwatch/daemon/record"
	"standwatch/rules"
)

// words/en.yaml holds every string of the screens; a second language is a
// second file with the same keys, named by its tag: words/pt.yaml. What figures
// and settings are called and what is open (value., limit., open.) is the record's.
//
//go:embed words/*.yaml
var wordFiles embed.FS

type words map[string]string

func readWords(files fs.FS, name string) (words, error) {
	text, err := fs.ReadFile(files, name)
	if err != nil {
		return nil, err
	}
	own := words{}
	if err := yaml.Unmarshal(text, &own); err != nil {
		return nil, err
	}
	w := words(record.Labels()) // one list for the pages and for the paper
	maps.Copy(w, own)
	return w, nil
}

// say returns the sentence under key, with what it leaves open filled in.
func (w words) say(key string, args ...any) string {
	s, ok := w[key]
	if !ok {
		return key
	}
	if len(args) == 0 {
		return s
	}
	return fmt.Sprintf(s, args...)
}

// Reason says in English why a reading is as it is, for a terminal.
func Reason(name string) string {
	w, err := readWords(wordFiles, "words/en.yaml")
	if s, ok := w["reason."+name]; ok && err == nil {
		return s
	}
	return name
}

// name returns the words for a name of the contract, or the name itself as words.
func (w words) name(kind, name string) string {
	if s, ok := w[kind+"."+name]; ok {
		return s
	}
	return beginning(strings.ReplaceAll(name, "-", " "))
}

// beginning writes what begins a sentence.
func beginning(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// span is a length of time as said aloud: "23 min", "2 h 10 min".
func (w words) span(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Minute:
		return w.say("time.seconds", int(d/time.Second))
	case d < time.Hour:
		return w.say("time.minutes", int(d/time.Minute))
	case d < 24*time.Hour:
		h, m := int(d/time.Hour), int(d%time.Hour/time.Minute)
		if m == 0 {
			return w.say("time.hours", h)
		}
		return w.say("time.hours-minutes", h, m)
	}
	days, h := int(d/(24*time.Hour)), int(d%(24*time.Hour)/time.Hour)
	if h == 0 {
		return w.say("time.days", days)
	}
	return w.say("time.days-hours", days, h)
}

// measured is a length of time as a figure, written as rules.Span writes it on
// paper: with what it took, not how long ago it was.
func (w words) measured(seconds float64) string {
	if math.IsNaN(seconds) || math.Abs(seconds) > 1e9 || seconds > 0 && seconds < 1 {
		return rules.Span(seconds)
	}
	if seconds < 0 {
		return "-" + w.measured(-seconds)
	}
	d := time.Duration(math.Round(seconds)) * time.Second
	if d >= time.Hour {
		d = d.Round(time.Minute)
		if h, m := int(d/time.Hour), int(d%time.Hour/time.Minute); m != 0 {
			return w.say("time.hours-minutes", h, m)
		}
		return w.say("time.hours", int(d/time.Hour))
	}
	if m, s := int(d/time.Minute), int(d%time.Minute/time.Second); m > 0 && s > 0 {
		return w.say("time.minutes-seconds", m, s)
	}
	return w.span(d)
}

// agedSpan is the age of an old figure, as the judge's sentence above it rounds.
func (w words) agedSpan(d time.Duration) string {
	if s := int(math.Round(d.Seconds())); s < 120 {
		return w.say("time.seconds", max(s, 0))
	}
	return w.span(d.Round(time.Minute))
}

// aboutSpan is a predicted length of time, as the judge's sentence says it: to
// the minute, and in the last minute and a half to the ten seconds below.
func (w words) aboutSpan(d time.Duration) string {
	if d >= 90*time.Second {
		return w.span(d.Round(time.Minute))
	}
	return w.say("time.seconds", int(max(d.Truncate(10*time.Second), 10*time.Second)/time.Second))
}

// moment is a time as a person asks for it: how long ago, and by the clock.
type moment struct {
	Ago   string
	Clock string
	ISO   string // for <time datetime>
	Never bool
}

func (w words) moment(t, now time.Time, zone *time.Location) moment {
	if t.IsZero() {
		return moment{Ago: w.say("time.never"), Never: true}
	}
	m := moment{Clock: w.clock(t, now, zone), ISO: t.UTC().Format(time.RFC3339)}
	switch d := now.Sub(t); {
	case d < 0 && d > -time.Second, d >= 0 && d < 2*time.Second:
		m.Ago = w.say("time.just-now")
	case d < 0:
		m.Ago = w.say("time.ahead", w.span(-d))
	default:
		m.Ago = w.say("time.ago", w.span(d))
	}
	return m
}

// clock is the time of day at the site, with the day where it is not today.
func (w words) clock(t, now time.Time, zone *time.Location) string {
	t, now = t.In(zone), now.In(zone)
	at := t.Format("15:04")
	if t.Year() == now.Year() && t.YearDay() == now.YearDay() {
		return at
	}
	return w.say("time.at", w.day(t, now), at)
}

// day is a date: its year where it is not this one.
func (w words) day(t, now time.Time) string {
	month := strings.Fields(w.say("time.months"))
	if len(month) != 12 {
		return t.Format(time.DateOnly)
	}
	if t.Year() == now.Year() {
		return w.say("time.date", t.Day(), month[t.Month()-1])
	}
	return w.say("time.date-year", t.Day(), month[t.Month()-1], t.Year())
}
