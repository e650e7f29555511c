package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// earlier are the parts of what earlier visits left.
func (l *laying) earlier() {
	for i, e := range l.r.Earlier {
		title := earlierTitle
		if !e.Made.IsZero() {
			title += ", " + e.Made.Format(time.DateOnly)
		}
		l.put(Break{})
		l.part(title, fmt.Sprintf("earlier-%d", i+1))
		l.put(e.facts())
		for _, text := range e.Changed {
			l.say(Caution, earlierChanged+text)
		}
		for _, text := range slices.Concat(e.Doubts, e.Unread) {
			l.put(Paragraph{Tone: Result, State: openState, Text: text})
		}
		if !e.Kept {
			l.say(Plain, earlierUnkept)
			continue
		}
		if len(e.Figures) == 0 {
			l.say(Plain, earlierNone)
		} else {
			l.say(Plain, earlierMeans)
		}
		l.put(e.tables()...)
	}
}

func (e Earlier) facts() Facts {
	facts := Facts{{"Bundle, SHA-256", e.Bundle}}
	if e.Kept {
		job := jobText(Job{Number: e.Job, Name: e.JobName})
		of := e.Site
		if e.System != "" {
			of += ", " + e.System
		}
		facts = Facts{{"Of", of + ", " + job}, {"Its record goes to", momentText(e.Made)}, {"Refrigerant then", cmp.Or(e.Refrigerant, notKnown)}}
		if len(e.Signed) > 0 {
			facts = append(facts, Fact{"Signed by", strings.Join(e.Signed, "; ")})
		}
		facts = append(facts, Fact{"Key", strings.TrimPrefix(e.Key+", "+knownWord(e.Known, e.Key), ", ")}, Fact{"Bundle, SHA-256", e.Bundle})
	} else if e.What != "" {
		facts = append(facts, Fact{"Of", e.What})
	}
	facts = append(facts, Fact{"Taken in", by("", e.By, momentText(e.At))})
	if e.Reason != "" {
		facts = append(facts, Fact{"Taken in although changed, because", e.Reason})
	}
	return facts
}

// tables set the two visits side by side.
func (e Earlier) tables() (blocks []Block) {
	if len(e.Steps) > 0 {
		t := Table{Caption: "How the steps came out", Columns: []Column{{Title: "Step", Wide: true}, {Title: "Then"}, {Title: "Begun"}, {Title: "Now"}, {Title: "Begun"}}}
		begun := func(state string, at time.Time) string {
			if state == "" {
				return ""
			}
			return momentText(at)
		}
		for _, s := range e.Steps {
			t.Rows = append(t.Rows, []string{titled(stepWord(s.Step)), stateThen(s.Then), begun(s.Then, s.ThenBegun), stateThen(s.Now), begun(s.Now, s.NowBegun)})
		}
		blocks = append(blocks, t)
	}
	sides := []Column{{Title: "Then", Number: true}, {Title: "Now", Number: true}, {Title: "Difference", Number: true}}
	system := Table{Caption: "Figures of the system", Columns: append([]Column{{Title: "Step", Whole: true}, {Title: "Figure", Wide: true}}, sides...)}
	for _, x := range e.Figures {
		if !e.unitStep(x.Step) {
			step := "charge"
			if x.Step != "" {
				step = stepWord(x.Step)
			}
			system.Rows = append(system.Rows, append([]string{titled(step), x.label()}, x.texts()...))
		}
	}
	if len(system.Rows) > 0 {
		blocks = append(blocks, system)
	}
	for _, s := range e.Steps {
		t := Table{Caption: titled(stepWord(s.Step)) + ", unit by unit", Columns: append([]Column{{Title: "Unit"}, {Title: "Figure", Wide: true}}, sides...)}
		for _, x := range e.Figures {
			if x.Step == s.Step && e.unitStep(x.Step) {
				t.Rows = append(t.Rows, append([]string{x.Unit, x.label()}, x.texts()...))
			}
		}
		if len(t.Rows) > 0 {
			blocks = append(blocks, t)
		}
	}
	if len(e.Units) > 0 && e.AllByName() {
		blocks = append(blocks, Paragraph{Tone: Small, Text: allByName})
	} else if len(e.Units) > 0 {
		t := Table{Caption: "Which unit is which", Columns: []Column{{Title: "Unit now"}, {Title: "Unit then"}, {Title: "Matched by"}, {Title: "Room now", Wide: true}, {Title: "Room then", Wide: true}, {Title: "Address now"}, {Title: "Address then"}}}
		for _, m := range e.Units {
			t.Rows = append(t.Rows, []string{m.Unit, m.Earlier, m.By, m.Room, m.EarlierRoom, m.Address, m.EarlierAddress})
		}
		blocks = append(blocks, t)
	}
	if len(e.Gone) > 0 {
		blocks = append(blocks, Paragraph{Text: "Units of that visit that are not there now: " + strings.Join(e.Gone, ", ") + "."})
	}
	if len(e.New) > 0 {
		blocks = append(blocks, Paragraph{Text: "Units that were not there then: " + strings.Join(e.New, ", ") + "."})
	}
	return blocks
}

// AllByName reports whether nothing is to be said of single units: each is
// matched by its name, and in its room, for want of addresses.
func (e Earlier) AllByName() bool {
	return !slices.ContainsFunc(e.Units, func(m Matched) bool {
		return m.By != ByName || m.Room != m.EarlierRoom || m.Address != "" && m.EarlierAddress != ""
	})
}

// unitStep reports whether a step judges unit by unit.
func (e Earlier) unitStep(step string) bool {
	return slices.ContainsFunc(besideSteps, func(s besideStep) bool { return s.step == step && s.keys == nil })
}

func (x Beside) label() string {
	label, _ := figureText(x.Step, x.Key, 0)
	switch {
	case x.Of != "":
		label = titled(x.Of)
	case x.Key == OutdoorKey:
		label += ", mean"
	case x.Step == "" && x.Key == "additional_kg":
		label = "Additional, as weighed"
	}
	return label
}

// texts are then, now and the difference as the paper shows figures elsewhere.
func (x Beside) texts() []string {
	show := func(v *float64) string {
		if v == nil {
			return ""
		}
		_, text := figureText(x.Step, x.Key, *v)
		return text
	}
	difference := ""
	if x.Difference != nil {
		difference = differenceText(x.Step, x.Key, *x.Then, *x.Now)
	}
	return []string{show(x.Then), show(x.Now), difference}
}

// differenceText is by how much a figure differs, in the figure's own units and
// to the digits in which it is shown.
func differenceText(step, key string, then, now float64) string {
	d := math.Abs(now - then)
	quantum := DifferenceDigit(step, key, then, now)
	if d = math.Round(d/quantum) * quantum; d == 0 {
		return "0"
	}
	key, step = DifferenceKey(step, key)
	_, text := figureText(step, key, d)
	return WithSign(text, now < then)
}

// WithSign puts the sign of a difference before both units' figures; nought has none.
func WithSign(text string, less bool) string {
	sign := "+"
	if less {
		sign = "-"
	}
	first, rest, two := strings.Cut(text, " (")
	if !two {
		return sign + first
	}
	if strings.ContainsAny(rest, "123456789") {
		rest = sign + rest
	}
	return sign + first + " (" + rest
}

// DifferenceKey is as which figure a difference is written: of two temperatures
// in kelvin, for 0 °C is no difference of 32 °F; of two gauges as a gauge's
// however small it is.
func DifferenceKey(step, key string) (string, string) {
	if name, ok := strings.CutSuffix(key, "_c"); ok {
		return name + "_k", step
	}
	if strings.HasSuffix(key, "_pa") && step == "trial-run" {
		step = "pressure-test"
	}
	return key, step
}

// DifferenceDigit is the last digit of a figure that is shown: below it two
// figures do not differ.
func DifferenceDigit(step, key string, then, now float64) float64 {
	most := max(math.Abs(then), math.Abs(now))
	switch {
	case strings.HasSuffix(key, "_kg"):
		return 0.01
	case strings.HasSuffix(key, "_c"), strings.HasSuffix(key, "_length_m"):
		return 0.1
	case strings.HasSuffix(key, "_s") && !strings.HasSuffix(key, "_per_s"):
		return 1
	case strings.HasSuffix(key, "_pa") && (step == "trial-run" || step == "pressure-test"):
		return 100
	case most == 0:
		return 1
	}
	return math.Pow10(int(math.Floor(math.Log10(most))) - 2)
}

// earlier are the figures of earlier visits: then, now and the difference, a row each.
func (c *sheetCSV) earlier(e Earlier) {
	bundle := e.Bundle
	c.step, c.at = "", e.Made
	c.text("earlier", "", "bundle_sha256", bundle)
	c.text("earlier", "", "of", e.What)
	c.text("earlier", "", "taken_in", by("", e.By, stampUTC(e.At)))
	c.text("earlier", "", "key", e.Key)
	for _, text := range e.Changed {
		c.text("earlier", "", "changed", text)
	}
	for _, text := range slices.Concat(e.Doubts, e.Unread) {
		c.text("earlier", "", "remark", text)
	}
	for _, m := range e.Units {
		c.text("earlier-unit", m.Unit, "matched_by_"+m.By, m.Earlier)
	}
	for _, u := range e.Gone {
		c.text("earlier-unit", "", "gone", u)
	}
	for _, u := range e.New {
		c.text("earlier-unit", "", "new", u)
	}
	for _, x := range e.Figures {
		c.step = x.Step
		for _, side := range []struct {
			part string
			v    *float64
		}{{"earlier-then", x.Then}, {"earlier-now", x.Now}, {"earlier-difference", x.Difference}} {
			if side.v != nil {
				si := siOfKey(x.Key)
				if side.part == "earlier-difference" && si == "C" {
					si = "K"
				}
				c.row(side.part, x.Unit, x.Key, plainNumber(*side.v), si, strings.TrimSpace(x.Of+" "+bundle[:min(12, len(bundle))]))
			}
		}
	}
	c.step, c.at = "", time.Time{}
}
