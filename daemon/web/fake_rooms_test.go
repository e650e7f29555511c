package web

import (
	"fmt"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Invented rooms of an invented building, for the steps that look at each.

func rooms(n int) (us []rules.Unit) {
	names := []string{"Reading room", "Map store", "Children's corner", "Periodicals", "Foyer", "Bindery", "Staff kitchen", "Lecture hall"}
	for i := range n {
		us = append(us, rules.Unit{Name: fmt.Sprintf("iu%02d", i+1), Room: fmt.Sprintf("%s %d", names[i%len(names)], i/len(names)+1),
			Branch: fmt.Sprintf("bu%d", i/8+1), Port: i%8 + 1})
	}
	return us
}

// cooling is a cooling check in the middle of its walk.
func cooling(now time.Time, us []rules.Unit) Step {
	st := Step{Step: rules.Step{Name: "cooling-check", Begin: 40}, Begun: now.Add(-70 * time.Minute), FigureAt: now,
		Outlook: rules.Outlook{Sentence: "Cooling check: 9 of 24 rooms good, 2 poor. Next: iu12, Periodicals 2.", Point: "iu01-supply", Figure: 13.2,
			Quantity: sensors.Temperature, HasFig: true, Left: -1, Sure: "too early to say"}}
	for i, u := range us {
		s := rules.UnitStand{Unit: u.Name, Asked: "cool"}
		split := 11.2 + 0.1*float64(i%7)
		switch {
		case i == 3:
			s.Result, s.Cause, split = rules.NotPassed, "low", 5.4
		case i == 6:
			s.Result, s.Cause, split = rules.NotPassed, "high", 16.1
		case i == 8:
			s.Result, s.Cause = rules.NotProven, "gap"
		case i < 12:
			s.Result = rules.Passed
		case i == 12:
			s.Steady = true
		default:
			s.Asked, s.Sentence, split = "", "Not looked at yet.", 0
		}
		if split != 0 {
			s.Values = []rules.Value{{Key: "supply_c", Number: 24 - split}, {Key: "return_c", Number: 24}, {Key: "split_k", Number: split},
				{Key: "low_k", Number: 9.7}, {Key: "high_k", Number: 13.1}, {Key: "wet_bulb_c", Number: 17.1}}
			s.Sentence = fmt.Sprintf("%s blows %.1f °C with %.1f °C coming back.", u.Name, 24-split, 24.0)
		}
		st.Outlook.Units = append(st.Outlook.Units, s)
		if s.Result != "" {
			st.Verdicts = append(st.Verdicts, Finding{Wall: now.Add(-time.Duration(60-i) * time.Minute), Finding: rules.Finding{Edge: rules.Given, Flag: st.Name,
				Step: st.Name, Unit: u.Name, Result: s.Result, Cause: s.Cause, Text: s.Sentence, Values: s.Values}})
		}
	}
	return st
}

// branching is a branch check in which two rooms answer each other, one answers nowhere, and one is not asked yet.
func branching(now time.Time, us []rules.Unit) Step {
	n := len(us)
	st := Step{Step: rules.Step{Name: "branch-check", Begin: 50}, Begun: now.Add(-2 * time.Hour), FigureAt: now,
		Outlook: rules.Outlook{Sentence: fmt.Sprintf("Branch check: %d of %d rooms asked. iu03 and iu04 answer each other.", n-1, n), Left: -1}}
	t := &rules.Table{Pairs: []rules.Pair{{Unit: "iu03", Answers: "iu04"}, {Unit: "iu04", Answers: "iu03"}}, Dead: []string{"iu06"},
		Leaks: []rules.Pair{{Unit: "iu02", Answers: "iu05"}}}
	next := &rules.Ask{Run: n, Of: n, Sentence: "Ask the last room to heat and leave the others at fan only for 10 min.", Left: -1}
	for i, u := range us {
		t.Units = append(t.Units, u.Name)
		row := make([]rules.Cell, n)
		for j := range row {
			row[j] = rules.Cell{ResponseK: 0.1 * float64((i*7+j*3)%9-4), Known: i < n-1}
		}
		at := i
		switch i {
		case 2:
			at = 3
		case 3:
			at = 2
		}
		if i < n-1 && i != 5 {
			row[at] = rules.Cell{ResponseK: 8.4 + 0.3*float64(i%5), Known: true, Chosen: true}
		}
		if i == 1 {
			row[4].ResponseK = 5.6
		}
		t.Cells = append(t.Cells, row)
		what := "fan"
		if i == n-1 {
			what = "heat"
		}
		next.Commands = append(next.Commands, rules.Asked{Unit: u.Name, What: what})
	}
	st.Outlook.Table, st.Outlook.Next = t, next
	return st
}
