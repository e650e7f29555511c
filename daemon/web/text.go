package web

import (
	"regexp"
	"strings"
	"unicode"
	"unicode/utf8"
)

// numbered is a number and its unit, as judges write them.
var numbered = regexp.MustCompile(`(\d) (micron|Pa|kPa|MPa|psi|kg|lb|oz|g|K|F|C|°C|°F|%|d|h|min|s|m|ft)\b`)

// glue keeps each number of a sentence with its unit on one line.
func glue(text string) string { return numbered.ReplaceAllString(text, "$1\u00a0$2") }

// whole keeps what stands in brackets on one line: a number and its unit must
// not be torn apart.
func whole(text string) string {
	deep := 0
	return strings.Map(func(r rune) rune {
		switch {
		case r == '(':
			deep++
		case r == ')':
			deep--
		case r == ' ' && deep == 1:
			return '\u00a0'
		}
		return r
	}, text)
}

// midSentence is a title within a sentence.
func midSentence(title string) string {
	r, n := utf8.DecodeRuneInString(title)
	return string(unicode.ToLower(r)) + title[n:]
}
