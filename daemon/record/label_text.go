package record

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"standwatch/rules"
)

// labelColumns is what the narrowest label printers have in a line.
const labelColumns = 40

// text is the label for a printer that knows letters only: ASCII, lines of at
// most 40. A character that is none is not turned into another one, which would
// be another name: "[?]" stands for it, and the end says which it was.
func (l chargeLabel) text() string {
	p := &labelLetters{}
	p.rule('=')
	p.line(labelTitle)
	p.rule('=')
	p.pair(labelSite, l.Site)
	if l.System != "" { // the only one of its site
		p.pair(labelSystem, l.System)
	}
	if l.Job != "" {
		p.pair(labelJob, l.Job)
	}
	p.pair(labelRefrigerant, l.Refrigerant)
	p.rule('-')
	p.amount(labelFactory, l.Factory)
	p.amount(labelAdded, l.Added)
	p.amount(labelTotal, l.Total)
	if l.Warming != "" {
		p.line(l.Warming)
	}
	for _, n := range l.Notes {
		p.line(n)
	}
	p.rule('-')
	p.pipes(labelLiquid, l.Liquid)
	p.pipes(labelGas, l.Gas)
	p.rule('-')
	p.pair(labelPressure, l.Pressure.Text)
	p.pair(labelVacuum, l.Vacuum.Text)
	charged := ""
	if !l.Charged.IsZero() {
		charged = labelDay(l.Charged)
	}
	p.pair(labelDate, charged)
	for _, s := range l.Who {
		p.pair(labelSigned, s.words())
	}
	if len(l.Who) == 0 {
		p.pair(labelSigned, "")
	}
	if l.Key != "" {
		p.pair(labelKey, l.Key)
	}
	p.rule('-')
	for _, c := range labelCautions {
		p.line(c)
	}
	p.rule('=')
	if len(p.lost) > 0 {
		p.line(fmt.Sprintf(labelLost, strings.Join(p.lost, ", ")))
	}
	return p.b.String()
}

func (s labelSigner) words() string {
	if s.Role == "" {
		return s.Name
	}
	return s.Name + ", " + s.Role
}

// labelLetters writes lines of ASCII and remembers what was none.
type labelLetters struct {
	b    strings.Builder
	lost []string // code points, in the order in which they stood
}

func (p *labelLetters) rule(r byte) {
	p.b.WriteString(strings.Repeat(string(r), labelColumns))
	p.b.WriteByte('\n')
}

// pair is a label and what stands beside it; a blank where nothing does.
func (p *labelLetters) pair(label, text string) {
	if text == "" {
		text = strings.Repeat("_", labelColumns-len(label)-2)
	}
	p.line(label + ": " + text)
}

func (p *labelLetters) amount(label string, a amount) {
	switch {
	case !a.Known:
		p.pair(label, "______ kg (____ lb ____ oz)")
	case a.band():
		p.pair(label, fmt.Sprintf("%s to %s kg", rules.Kilogram.Number(a.LowKg), rules.Kilogram.Number(a.HighKg)))
		p.line(fmt.Sprintf("  (%s to %s)", rules.PoundsOunces(a.LowKg), rules.PoundsOunces(a.HighKg)))
		p.line(fmt.Sprintf("  "+labelBest, rules.Kilogram.Number(a.Kg)))
	default:
		p.pair(label, fmt.Sprintf("%s kg (%s)", rules.Kilogram.Number(a.Kg), rules.PoundsOunces(a.Kg)))
	}
	if a.How != "" {
		p.line("  " + a.How)
	}
}

func (p *labelLetters) pipes(label string, all []pipeSize) {
	if len(all) == 0 {
		p.pair(label, "")
		return
	}
	p.line(label + ":")
	for _, s := range all {
		p.line(fmt.Sprintf("  %6s mm %-8s %8s %8s", millimetres(s.OutsideM), inches(s.OutsideM), rules.Metres(s.LengthM), rules.Feet(s.LengthM)))
	}
}

// line writes a text over as many lines as it needs; what follows the first is
// set in by two. A word that no line holds is broken.
func (p *labelLetters) line(text string) {
	text = p.plain(text)
	indent := len(text) - len(strings.TrimLeft(text, " "))
	first := true
	for {
		room := labelColumns
		if !first {
			text = strings.Repeat(" ", min(indent+2, 8)) + strings.TrimLeft(text, " ")
		}
		if len(text) <= room {
			break
		}
		cut := strings.LastIndexByte(text[:room+1], ' ')
		if cut <= len(text)-len(strings.TrimLeft(text, " ")) {
			cut = room
		}
		p.b.WriteString(strings.TrimRight(text[:cut], " "))
		p.b.WriteByte('\n')
		text, first = text[cut:], false
		if strings.TrimSpace(text) == "" {
			return
		}
	}
	p.b.WriteString(strings.TrimRight(text, " "))
	p.b.WriteByte('\n')
}

// plain is the text in ASCII. Which characters were lost is said at the label's end.
func (p *labelLetters) plain(text string) string {
	var b strings.Builder
	lost := false
	for i, r := range text {
		if r >= ' ' && r < 0x7f {
			b.WriteRune(r)
			lost = false
			continue
		}
		if !lost {
			b.WriteString("[?]")
		}
		lost = true
		name := fmt.Sprintf("U+%04X", r)
		if r == utf8.RuneError {
			name = fmt.Sprintf("byte %02X", text[i])
		}
		p.lost = append(p.lost, name)
	}
	return b.String()
}
