package record

import (
	"slices"
	"sync"
	"unicode"

	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"
)

// A PDF holds glyphs where they lie. What a browser does with text on its way
// there is done here, as far as names and places need it: composed characters,
// the joined letters of Arabic, and the order of lines that run from right to
// left. Scripts whose letters change places (those of India and of South East
// Asia) are printed letter by letter, and the paper says so.

// compose makes one line of plain characters of what somebody typed.
func compose(s string) []rune {
	var rs []rune
	for _, r := range norm.NFC.String(s) {
		switch {
		case r == '\n' || r == '\t' || r == '\u2028' || r == '\u2029' || r == '\u0085':
			rs = append(rs, ' ')
		case r == unicode.ReplacementChar || unicode.IsControl(r):
			// no character that anybody meant
		default:
			rs = append(rs, r)
		}
	}
	return rs
}

// invisible tells what steers the characters around it and is no mark itself.
func invisible(r rune) bool {
	return unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Variation_Selector, r) || r == '\u034f'
}

// Arabic letters have up to four forms: alone, last, first and amid others.
// Unicode holds them as compatibility characters, in that order, and says of
// each which letter it is a form of (UnicodeData.txt, blocks Arabic
// Presentation Forms-A and -B).
type arabic struct {
	forms   map[rune][]rune
	lamAlef map[rune][]rune // by the alef
}

const (
	lam   = '\u0644'
	kasht = '\u0640' // tatweel: joins on both sides and looks always the same
	alone = 0
	last  = 1
	first = 2
	amid  = 3
)

var arabicForms = sync.OnceValue(func() arabic {
	a := arabic{map[rune][]rune{}, map[rune][]rune{}}
	for _, block := range [][2]rune{{0xfe70, 0xfeff}, {0xfb50, 0xfdff}} {
		for r := block[0]; r <= block[1]; r++ {
			base := []rune(norm.NFKC.String(string(r)))
			switch {
			case len(base) == 1 && base[0] != r && unicode.Is(unicode.Arabic, base[0]):
				a.forms[base[0]] = append(a.forms[base[0]], r)
			case len(base) == 2 && base[0] == lam && r >= 0xfef5 && r <= 0xfefc:
				a.lamAlef[base[1]] = append(a.lamAlef[base[1]], r)
			}
		}
	}
	return a
})

// joinArabic puts each letter in the form that its neighbours ask for. A form
// that no font has is left as the letter, where a font has that.
func joinArabic(rs []rune, has func(rune) bool) []rune {
	if !slices.ContainsFunc(rs, func(r rune) bool { return unicode.Is(unicode.Arabic, r) }) {
		return rs
	}
	a := arabicForms()
	onward := func(r rune) bool { // joins the letter that follows
		return r == kasht || r == '\u200d' || len(a.forms[r]) == 4
	}
	back := func(r rune) bool { // joins the letter before
		return r == kasht || r == '\u200d' || len(a.forms[r]) >= 2
	}
	clear := func(r rune) bool { return unicode.Is(unicode.Mn, r) }
	var out []rune
	for i := 0; i < len(rs); i++ {
		r := rs[i]
		forms := a.forms[r]
		if len(forms) == 0 {
			out = append(out, r)
			continue
		}
		before, after := rune(0), rune(0)
		for j := i - 1; j >= 0 && before == 0; j-- {
			if !clear(rs[j]) {
				before = rs[j]
			}
		}
		next := i + 1
		for next < len(rs) && clear(rs[next]) {
			next++
		}
		if next < len(rs) {
			after = rs[next]
		}
		joined := onward(before) && back(r)
		if pair := a.lamAlef[after]; r == lam && next == i+1 && len(pair) == 2 {
			form := pair[alone]
			if joined {
				form = pair[last]
			}
			if has(form) {
				out = append(out, form)
				i = next
				continue
			}
		}
		form := alone
		switch {
		case joined && onward(r) && back(after):
			form = amid
		case joined:
			form = last
		case onward(r) && back(after):
			form = first
		}
		if form < len(forms) && has(forms[form]) {
			r = forms[form]
		}
		out = append(out, r)
	}
	return out
}

// rightToLeft tells whether a paragraph begins in a script that is written so
// (UAX 9, rules P2 and P3).
func rightToLeft(rs []rune) bool {
	for _, r := range rs {
		switch class(r) {
		case bidi.L:
			return false
		case bidi.R, bidi.AL:
			return true
		}
	}
	return false
}

func class(r rune) bidi.Class {
	p, _ := bidi.LookupRune(r)
	return p.Class()
}

// reorder puts one line into the order in which it is seen: the Unicode
// bidirectional algorithm (UAX 9, rules W1 to L4) without explicit embeddings,
// which no sentence of the record has.
func reorder(rs []rune, rtl bool) []rune {
	if !rtl && !slices.ContainsFunc(rs, func(r rune) bool {
		c := class(r)
		return c == bidi.R || c == bidi.AL || c == bidi.AN
	}) {
		return rs
	}
	levels := bidiLevels(rs, rtl)
	out := slices.Clone(rs)
	highest := slices.Max(levels)
	for level := highest; level > 0; level-- {
		for i := 0; i < len(out); {
			if levels[i] < level {
				i++
				continue
			}
			end := i
			for end < len(out) && levels[end] >= level {
				end++
			}
			slices.Reverse(out[i:end])
			slices.Reverse(levels[i:end])
			i = end
		}
	}
	// What opens on the right is a mirrored glyph (L4), and a mark stays
	// behind the letter that it stands on (L3).
	for i := range out {
		if levels[i]%2 == 1 {
			out[i] = []rune(bidi.ReverseString(string(out[i])))[0]
		}
	}
	for i := 0; i < len(out); i++ {
		end := i
		for end < len(out) && levels[end]%2 == 1 && unicode.Is(unicode.Mn, out[end]) {
			end++
		}
		if end > i && end < len(out) {
			slices.Reverse(out[i : end+1])
			i = end
		}
	}
	return out
}

func bidiLevels(rs []rune, rtl bool) []int {
	base, baseClass := 0, bidi.Class(bidi.L)
	if rtl {
		base, baseClass = 1, bidi.R
	}
	cs := make([]bidi.Class, len(rs))
	for i, r := range rs {
		cs[i] = class(r)
	}
	bidiWeak(cs, baseClass)
	bidiBrackets(rs, cs, baseClass)
	bidiNeutral(cs, baseClass)
	levels := make([]int, len(cs))
	for i, c := range cs { // I1 and I2
		switch {
		case c == bidi.R:
			levels[i] = 1
		case c == bidi.L && base == 0:
			levels[i] = 0
		default:
			levels[i] = 2
		}
	}
	for i := len(rs) - 1; i >= 0 && unicode.IsSpace(rs[i]); i-- { // L1
		levels[i] = base
	}
	return levels
}

// bidiWeak settles numbers and what stands beside them (W1 to W7).
func bidiWeak(cs []bidi.Class, baseClass bidi.Class) {
	strong, previous := baseClass, baseClass
	for i, c := range cs { // W1 to W3
		if c == bidi.NSM {
			c = previous
		}
		previous = c
		switch c {
		case bidi.L, bidi.R, bidi.AL:
			strong = c
		case bidi.EN:
			if strong == bidi.AL {
				c = bidi.AN
			}
		}
		cs[i] = c
	}
	for i, c := range cs {
		if c == bidi.AL {
			cs[i] = bidi.R
		}
	}
	for i := 1; i+1 < len(cs); i++ { // W4
		a, c, b := cs[i-1], cs[i], cs[i+1]
		if a == b && (c == bidi.CS && (a == bidi.EN || a == bidi.AN) || c == bidi.ES && a == bidi.EN) {
			cs[i] = a
		}
	}
	for i := 0; i < len(cs); { // W5 and W6
		end := i
		for end < len(cs) && cs[end] == bidi.ET {
			end++
		}
		if end == i {
			i++
			continue
		}
		to := bidi.ON
		if i > 0 && cs[i-1] == bidi.EN || end < len(cs) && cs[end] == bidi.EN {
			to = bidi.EN
		}
		for ; i < end; i++ {
			cs[i] = to
		}
	}
	strong = baseClass
	for i, c := range cs { // W6, W7
		switch c {
		case bidi.ES, bidi.CS:
			cs[i] = bidi.ON
		case bidi.L, bidi.R:
			strong = c
		case bidi.EN:
			if strong == bidi.L {
				cs[i] = bidi.L
			}
		}
	}
}

// neutral reports whether a class has no direction of its own.
func neutral(c bidi.Class) bool {
	return c != bidi.L && c != bidi.R && c != bidi.EN && c != bidi.AN
}

// side is the direction that a class has for the neutrals beside it.
func side(c bidi.Class) bidi.Class {
	if c == bidi.L {
		return c
	}
	return bidi.R
}

// bidiBrackets gives a pair of brackets the direction of what it holds (N0).
func bidiBrackets(rs []rune, cs []bidi.Class, baseClass bidi.Class) {
	for _, pair := range brackets(rs, cs) { // N0
		to := bidi.Class(bidi.ON)
		for i := pair[0] + 1; i < pair[1]; i++ {
			if neutral(cs[i]) {
				continue
			}
			to = side(cs[i])
			if to == baseClass {
				break
			}
		}
		if to != bidi.ON && to != baseClass {
			before := baseClass
			for i := 0; i < pair[0]; i++ {
				if !neutral(cs[i]) {
					before = side(cs[i])
				}
			}
			if before == baseClass {
				to = baseClass
			}
		}
		if to != bidi.ON {
			cs[pair[0]], cs[pair[1]] = to, to
		}
	}
}

// bidiNeutral gives the rest the direction of what stands around it (N1, N2).
func bidiNeutral(cs []bidi.Class, baseClass bidi.Class) {
	for i := 0; i < len(cs); { // N1 and N2
		if !neutral(cs[i]) {
			i++
			continue
		}
		end := i
		for end < len(cs) && neutral(cs[end]) {
			end++
		}
		before, after := baseClass, baseClass
		if i > 0 {
			before = side(cs[i-1])
		}
		if end < len(cs) {
			after = side(cs[end])
		}
		to := baseClass
		if before == after {
			to = before
		}
		for ; i < end; i++ {
			cs[i] = to
		}
	}
}

// brackets finds the pairs (BD16), by where they open.
func brackets(rs []rune, cs []bidi.Class) (pairs [][2]int) {
	type open struct {
		at     int
		closes rune
	}
	var stack []open
	for i, r := range rs {
		p, _ := bidi.LookupRune(r)
		switch {
		case cs[i] != bidi.ON || !p.IsBracket():
		case p.IsOpeningBracket():
			if len(stack) == 63 {
				return nil // as the algorithm wants it
			}
			stack = append(stack, open{i, []rune(bidi.ReverseString(string(r)))[0]})
		default:
			for j := len(stack) - 1; j >= 0; j-- {
				if stack[j].closes == r {
					pairs = append(pairs, [2]int{stack[j].at, i})
					stack = stack[:j]
					break
				}
			}
		}
	}
	slices.SortFunc(pairs, func(a, b [2]int) int { return a[0] - b[0] })
	return pairs
}

// breaksAfter tells where a line may end besides a space: behind a hyphen or a
// stroke, and between characters of scripts that put no spaces.
func breaksAfter(r, next rune) bool {
	if unicode.In(next, unicode.Pe, unicode.Pf, unicode.Po, unicode.Mn) {
		return false
	}
	if r == '-' || r == '/' || r == '\u2013' || r == '\u2014' || r == '_' {
		return !unicode.IsDigit(next) && next != ' '
	}
	unspaced := func(r rune) bool {
		return unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Thai, unicode.Lao, unicode.Khmer, unicode.Myanmar) ||
			r >= 0x3000 && r <= 0x303f || r >= 0xff00 && r <= 0xffef
	}
	return (unspaced(r) || unspaced(next)) && !unicode.In(r, unicode.Ps, unicode.Pi)
}

// unshaped are scripts whose letters should change shape or place.
var unshaped = []scriptHelp{
	{unicode.Devanagari, "Devanagari", "fonts-noto-core"}, {unicode.Bengali, "Bengali", "fonts-noto-core"},
	{unicode.Gurmukhi, "Gurmukhi", "fonts-noto-core"}, {unicode.Gujarati, "Gujarati", "fonts-noto-core"},
	{unicode.Oriya, "Oriya", "fonts-noto-core"}, {unicode.Tamil, "Tamil", "fonts-noto-core"},
	{unicode.Telugu, "Telugu", "fonts-noto-core"}, {unicode.Kannada, "Kannada", "fonts-noto-core"},
	{unicode.Malayalam, "Malayalam", "fonts-noto-core"}, {unicode.Sinhala, "Sinhala", "fonts-noto-core"},
	{unicode.Tibetan, "Tibetan", "fonts-noto-core"}, {unicode.Myanmar, "Myanmar", "fonts-noto-core"},
	{unicode.Khmer, "Khmer", "fonts-noto-core"}, {unicode.Mongolian, "Mongolian", "fonts-noto-core"},
	{unicode.Syriac, "Syriac", "fonts-noto-core"}, {unicode.Nko, "N'Ko", "fonts-dejavu-core"},
}

// shaped are the others that no built-in font has.
var shaped = []scriptHelp{
	{unicode.Han, "Chinese", "fonts-droid-fallback"}, {unicode.Hiragana, "Japanese", "fonts-droid-fallback"},
	{unicode.Katakana, "Japanese", "fonts-droid-fallback"}, {unicode.Bopomofo, "Chinese", "fonts-droid-fallback"},
	{unicode.Hangul, "Korean", "fonts-droid-fallback"},
	{unicode.Arabic, "Arabic", "fonts-dejavu-core"}, {unicode.Hebrew, "Hebrew", "fonts-dejavu-core"},
	{unicode.Armenian, "Armenian", "fonts-dejavu-core"}, {unicode.Georgian, "Georgian", "fonts-dejavu-core"},
	{unicode.Thai, "Thai", "fonts-noto-core"}, {unicode.Lao, "Lao", "fonts-dejavu-core"},
	{unicode.Ethiopic, "Ethiopic", "fonts-noto-core"}, {unicode.Cherokee, "Cherokee", "fonts-noto-core"},
	{unicode.Common, "signs", "fonts-dejavu-core"},
}

// scriptHelp is which Debian package brings a font of TrueType outlines.
type scriptHelp struct {
	script *unicode.RangeTable
	name   string
	pack   string
}

func helpFor(r rune) scriptHelp {
	for _, list := range [][]scriptHelp{shaped, unshaped} {
		for _, h := range list {
			if unicode.Is(h.script, r) {
				return h
			}
		}
	}
	return scriptHelp{nil, "other", "fonts-noto-core"}
}
