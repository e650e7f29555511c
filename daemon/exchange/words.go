package exchange

import (
	_ "embed" // words.csv
	"encoding/csv"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

//go:embed words.csv
var wordsFile string

// phrase is one way in which people write a meaning, as plain words.
type phrase struct {
	meaning string
	words   []string
}

// vocabulary is what words.csv says.
type vocabulary struct {
	all    []phrase
	first  map[string][]int // phrases by their first word
	pieces []int            // those of parts of a compound
}

// readVocabulary reads words.csv. A test holds that it is in order.
func readVocabulary() (vocabulary, error) {
	v := vocabulary{first: map[string][]int{}}
	in := csv.NewReader(strings.NewReader(wordsFile))
	in.Comment = '#'
	in.FieldsPerRecord = 3
	rows, err := in.ReadAll()
	for _, row := range rows {
		for text := range strings.SplitSeq(row[2], "|") {
			p := phrase{row[0], plainWords(text)}
			if strings.HasPrefix(row[0], "unit ") || row[0] == "none" {
				p.words = []string{text}
			}
			switch {
			case len(p.words) == 0:
			case strings.Contains(text, "~"):
				v.pieces = append(v.pieces, len(v.all))
			default:
				v.first[p.words[0]] = append(v.first[p.words[0]], len(v.all))
			}
			v.all = append(v.all, p)
		}
	}
	return v, err
}

// plainWords are a text's words without case, accents and what stands between them.
func plainWords(text string) []string {
	text = strings.NewReplacer("ß", "ss", "Ø", " diameter ", "ø", " diameter ", "⌀", " diameter ", "°", " ").Replace(text)
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.ToLower(text)) {
		switch {
		case unicode.Is(unicode.Mn, r):
		case unicode.IsLetter(r) || unicode.IsDigit(r) || r == '~':
			b.WriteRune(r)
		default:
			b.WriteByte(' ')
		}
	}
	return strings.Fields(b.String())
}

// fits reports whether a word is the phrase's: whole, or by its beginning or its end.
func fits(pattern, word string) bool {
	if end, ok := strings.CutPrefix(pattern, "~"); ok {
		return strings.HasSuffix(word, end)
	}
	if begin, ok := strings.CutSuffix(pattern, "~"); ok {
		return strings.HasPrefix(word, begin)
	}
	return pattern == word
}

// meanings are what a heading's words mean, of those that are asked for, in the
// order of the words: each word taken once, by the longest phrase. A compound
// may mean two things.
func (v vocabulary) meanings(words []string, of []string) (found []string) {
	type hit struct{ at, long, phrase int }
	var hits []hit
	for at, w := range words {
		for _, n := range v.first[w] {
			p := v.all[n]
			if slices.Contains(of, p.meaning) && at+len(p.words) <= len(words) && slices.Equal(p.words, words[at:at+len(p.words)]) {
				hits = append(hits, hit{at, len(p.words), n})
			}
		}
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return b.long - a.long })
	taken := make([]bool, len(words))
	var kept []hit
	for _, h := range hits {
		if own := taken[h.at : h.at+h.long]; !slices.Contains(own, true) {
			// The same words may mean something else, too: a line and a run.
			for _, other := range hits {
				if other.at == h.at && other.long == h.long {
					kept = append(kept, other)
				}
			}
			for i := range own {
				own[i] = true
			}
		}
	}
	for at, w := range words {
		for _, n := range v.pieces {
			if !taken[at] && slices.Contains(of, v.all[n].meaning) && fits(v.all[n].words[0], w) {
				kept = append(kept, hit{at, 1, n})
			}
		}
	}
	slices.SortStableFunc(kept, func(a, b hit) int { return a.at - b.at })
	for _, h := range kept {
		if m := v.all[h.phrase].meaning; !slices.Contains(found, m) {
			found = append(found, m)
		}
	}
	return found
}

// whole is the meaning of a text that is nothing but one phrase.
func (v vocabulary) whole(text string, of []string) string {
	words := plainWords(text)
	for _, p := range v.all {
		if len(p.words) != len(words) || len(words) == 0 || !slices.Contains(of, p.meaning) {
			continue
		}
		ok := true
		for i, w := range p.words {
			ok = ok && fits(w, words[i])
		}
		if ok {
			return p.meaning
		}
	}
	return ""
}

// total reports whether a text names a sum: its first or its last word does.
func (v vocabulary) total(text string) bool {
	words := plainWords(text)
	for _, p := range v.all {
		n := len(p.words)
		if p.meaning == "total" && n <= len(words) && (slices.Equal(p.words, words[:n]) || slices.Equal(p.words, words[len(words)-n:])) {
			return true
		}
	}
	return false
}

// unit is the unit that a text names, such as m, ft, mm, in; empty: none.
func (v vocabulary) unit(text string) string {
	text = strings.ToLower(strings.Trim(tidyMarks(text), " .:"))
	if text == "" {
		return ""
	}
	text = strings.Join(plainUnit(text), "")
	for _, p := range v.all {
		if u, ok := strings.CutPrefix(p.meaning, "unit "); ok && p.words[0] == text {
			return u
		}
	}
	return ""
}

func plainUnit(text string) []string {
	var b strings.Builder
	for _, r := range norm.NFD.String(strings.ReplaceAll(text, "ß", "ss")) {
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(r)
		}
	}
	return strings.Fields(b.String())
}

// tidyMarks writes the marks of inches, feet, blanks and fractions in one way.
func tidyMarks(text string) string {
	return marks.Replace(text)
}

var marks = strings.NewReplacer(
	"\u00a0", " ", "\u2007", " ", "\u2009", " ", "\u202f", " ", "\t", " ",
	"″", `"`, "”", `"`, "“", `"`, "„", `"`, "''", `"`, "´´", `"`, "′", "'", "’", "'", "‘", "'", "´", "'", "`", "'",
	"½", " 1/2", "¼", " 1/4", "¾", " 3/4", "⅛", " 1/8", "⅜", " 3/8", "⅝", " 5/8", "⅞", " 7/8", "⁄", "/",
	"–", "-", "‑", "-", "—", "-", "−", "-", "×", "x")
