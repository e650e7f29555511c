package record

import (
	"fmt"
	"strings"

	"standwatch/rules"
)

// The record's own sentences. What a judge said it repeats in the judge's words.
const (
	endedWithout = "It was ended before its judge gave a verdict."
	stillOpen    = "It is under way."
)

func numberOf(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func unclearAnswer(mark, note string) string {
	return fmt.Sprintf("A mark %s names no step, so nothing was made of it: %q.", mark, note)
}

func unitsJudged(vs []Verdict) string {
	count := map[string]int{}
	for _, v := range vs {
		count[v.Result]++
	}
	var parts []string
	for _, r := range []string{rules.Passed, rules.NotPassed, rules.NotProven} {
		if n := count[r]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, outcome(r)))
		}
	}
	return fmt.Sprintf("Of %s judged: %s.", numberOf(len(vs), "unit", "units"), strings.Join(parts, ", "))
}

func outcome(state string) string {
	switch state {
	case rules.NotProven:
		return "not proven"
	case endedState:
		return "ended without a verdict"
	case rules.CheckApart:
		return "does not apply"
	case rules.CheckLeft:
		return "left open"
	}
	return state
}

func stepWord(step string) string { return strings.ReplaceAll(step, "-", " ") }

// titled writes the first letter as a capital.
func titled(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func stepNotDone(step string) string { return titled(stepWord(step)) + ": not done in this job." }

func stepOpen(step, sentence string) string {
	return titled(stepWord(step)) + " is under way: " + sentence
}

func stepEnded(step string) string {
	return titled(stepWord(step)) + " was ended before its judge gave a verdict."
}

func stepNot(step, state, sentence string) string {
	return titled(stepWord(step)) + ", " + outcome(state) + ": " + sentence
}

func flagOpen(flag, text string) string { return "Flag " + flag + " is open: " + text }

func checkOpen(c Check) string {
	return fmt.Sprintf("Check %s: %s. What should be so: %s", c.Check, outcome(c.State), c.Text)
}
