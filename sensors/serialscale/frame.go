package serialscale

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// frame is a compiled pattern: what one line of an indicator looks like.
type frame struct {
	re    *regexp.Regexp
	parts []part // one for each group of re
}

// part is what one group of a frame means.
type part struct {
	kind  kind
	words map[string]meaning // of flags
}

type kind uint8

const (
	value kind = iota
	unit
	flags
	xor // check sums: two hexadecimal digits over every character before them
	add
)

// meaning is what a flag of a frame says; a line may have several.
type meaning uint8

const (
	stable meaning = 1 << iota
	motion
	overload
	underload
	fault
	gross
	net
	ignore
)

var meanings = map[string]meaning{
	"stable": stable, "motion": motion, "overload": overload, "underload": underload,
	"fault": fault, "gross": gross, "net": net, "ignore": ignore,
}

const meaningWords = "stable, motion, overload, underload, fault, gross, net, ignore"

// failing are meanings with which a line needs no weight.
const failing = overload | underload | fault

// weight is what one line says.
type weight struct {
	value float64 // in its unit
	has   bool    // a number stood there, no dashes or blanks
	unit  string  // as the line has it; empty: it names none
	says  meaning
}

// longest is the longest pattern, and the longest line: what is longer is noise.
const longest = 120

// compile reads a pattern. The error says what is wrong with it and what would be right.
func compile(pattern string, decimal byte) (*frame, error) {
	const form = "; write what a line looks like, such as {ST=stable|US=motion|OL=overload},{GS=gross|NT=net},{value}{unit}"
	if pattern == "" || len(pattern) > longest {
		return nil, fmt.Errorf("is empty or longer than %d characters%s", longest, form)
	}
	f := &frame{}
	var re strings.Builder
	re.WriteString("^ *")
	fails := false
	for rest := pattern; rest != ""; {
		c := rest[0]
		switch {
		case c < ' ' || c > '~':
			return nil, fmt.Errorf("has the character %q; begins and ends say how a line is set off, and the rest is plain letters, digits and signs", c)
		case c == '}':
			return nil, fmt.Errorf("has a } without its {%s", form)
		case c == ' ':
			re.WriteString(" *")
			rest = strings.TrimLeft(rest, " ")
		case c != '{':
			re.WriteString(regexp.QuoteMeta(rest[:1]))
			rest = rest[1:]
		default:
			inside, after, closed := strings.Cut(rest[1:], "}")
			if !closed {
				return nil, fmt.Errorf("has a { without its }%s", form)
			}
			p, group, err := field(inside, decimal)
			if err != nil {
				return nil, err
			}
			if p != nil {
				if p.kind != flags && slices.ContainsFunc(f.parts, func(o part) bool { return o.kind == p.kind }) {
					return nil, fmt.Errorf("has {%s} twice", inside)
				}
				for _, m := range p.words {
					fails = fails || m&failing != 0
				}
				f.parts = append(f.parts, *p)
			}
			re.WriteString(group)
			rest = after
		}
	}
	re.WriteString(" *$")
	if !slices.ContainsFunc(f.parts, func(p part) bool { return p.kind == value }) && !fails {
		return nil, fmt.Errorf("has no {value}, and no flag says why there is none%s", form)
	}
	var err error
	f.re, err = regexp.Compile(re.String())
	return f, err
}

// field reads what stands between braces. A part of nil is skipped.
func field(inside string, decimal byte) (*part, string, error) {
	name, width, wide := strings.Cut(inside, ":")
	n, err := strconv.Atoi(width)
	if wide && !strings.Contains(inside, "=") && (err != nil || n < 1 || n > longest) {
		return nil, "", fmt.Errorf("has {%s}: the width is no number of characters; write {%s:8}", inside, name)
	}
	point := regexp.QuoteMeta(string(decimal))
	switch {
	case inside == "value":
		// A number, or the dashes that stand in its place.
		return &part{kind: value}, "( *[+-]? *(?:[0-9]+" + point + "?[0-9]*|" + point + "[0-9]+)| *[+-]? *[-_=*]{2,}[-_=*., ]*)", nil
	case name == "value" && wide:
		return &part{kind: value}, fmt.Sprintf("([-+0-9 _=*.,]{%d})", n), nil
	case inside == "unit":
		return &part{kind: unit}, " *([A-Za-z]*)", nil
	case name == "any" && wide:
		return nil, fmt.Sprintf("[ -~]{%d}", n), nil
	case inside == "xor":
		return &part{kind: xor}, "([0-9A-Fa-f]{2})", nil
	case inside == "add":
		return &part{kind: add}, "([0-9A-Fa-f]{2})", nil
	case !strings.Contains(inside, "="):
		return nil, "", fmt.Errorf("has {%s}, which is not known; write value, value:8, unit, any:3, xor, add, or flags such as {ST=stable|US=motion}", inside)
	}
	words := map[string]meaning{}
	var texts []string
	for choice := range strings.SplitSeq(inside, "|") {
		at := strings.LastIndex(choice, "=")
		if at < 1 {
			return nil, "", fmt.Errorf("has {%s}: %q should be TEXT=meaning", inside, choice)
		}
		text, word := choice[:at], strings.TrimSpace(choice[at+1:])
		m, ok := meanings[word]
		if !ok {
			return nil, "", fmt.Errorf("has {%s}: %q is no meaning; write one of %s", inside, word, meaningWords)
		}
		if _, twice := words[text]; twice || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) {
			return nil, "", fmt.Errorf("has {%s}: %q stands there twice, or is no plain text", inside, text)
		}
		words[text] = m
		texts = append(texts, text)
	}
	// The longest first, so that S does not hide ST.
	slices.SortFunc(texts, func(a, b string) int { return cmp.Or(len(b)-len(a), strings.Compare(a, b)) })
	for i := range texts {
		texts[i] = regexp.QuoteMeta(texts[i])
	}
	return &part{kind: flags, words: words}, "(" + strings.Join(texts, "|") + ")", nil
}

// read reads a line. It is taken whole or not at all; sum reports that only its check sum is wrong.
func (f *frame) read(line []byte, decimal byte, decimals int) (w weight, ok, sum bool) {
	at := f.re.FindSubmatchIndex(line)
	if at == nil {
		return w, false, false
	}
	for i, p := range f.parts {
		from, to := at[2*i+2], at[2*i+3]
		text := string(line[from:to])
		switch p.kind {
		case value:
			if w.value, w.has, ok = number(text, decimal, decimals); !ok {
				return w, false, false
			}
		case unit:
			w.unit = text
		case flags:
			w.says |= p.words[text]
		case xor, add:
			told, err := strconv.ParseUint(text, 16, 8)
			if err != nil || byte(told) != checkSum(line[:from], p.kind) {
				return w, false, true
			}
		}
	}
	// Without a number something must say why.
	return w, w.has || w.says&failing != 0 || slices.ContainsFunc(f.parts, func(p part) bool { return p.kind == value }), false
}

func checkSum(b []byte, k kind) (sum byte) {
	for _, c := range b {
		if k == xor {
			sum ^= c
		} else {
			sum += c
		}
	}
	return sum
}

// mostDigits is more than any scale shows; what has more is noise.
const mostDigits = 9

// number reads what stands in a value's place: a number, or dashes and blanks in place of one.
// Where there is no decimal point, the last digits may be behind it all the same.
func number(text string, decimal byte, decimals int) (v float64, has, ok bool) {
	if strings.Trim(text, "-_=*., +") == "" {
		return 0, false, true
	}
	s := strings.TrimLeft(text, " ")
	sign := ""
	if s[0] == '+' || s[0] == '-' {
		sign, s = strings.TrimPrefix(s[:1], "+"), strings.TrimLeft(s[1:], " ")
	}
	s = strings.TrimRight(s, " ")
	whole, part, pointed := strings.Cut(s, string(decimal))
	digits := func(s string) bool { return strings.Trim(s, "0123456789") == "" }
	if !digits(whole) || !digits(part) || whole+part == "" || len(whole+part) > mostDigits {
		return 0, false, false
	}
	v, err := strconv.ParseFloat(sign+whole+"."+part+"0", 64)
	if !pointed {
		v /= math.Pow10(decimals)
	}
	return v + 0, err == nil, err == nil // a zero without its sign
}
