package record

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"rsc.io/qr"

	"standwatch/rules"
)

// codeMost is how many bytes the code's text may have: more would make modules
// too small to be read off a sheet of A6 that has stood in a panel for years.
const codeMost = 640

// codeText is the label as text for its QR code: the same figures, in short
// lines, the weightiest first, so that what does not fit is the least.
func (l chargeLabel) codeText() string {
	blank := func(s string) string {
		if s == "" {
			return "-"
		}
		return s
	}
	charge := func(label string, a amount) string {
		switch {
		case !a.Known:
			return label + " -"
		case a.band():
			return fmt.Sprintf("%s %s-%s kg (%s kg)", label, rules.Kilogram.Number(a.LowKg), rules.Kilogram.Number(a.HighKg), rules.Kilogram.Number(a.Kg))
		}
		return strings.TrimSpace(fmt.Sprintf("%s %s kg (%s) %s", label, rules.Kilogram.Number(a.Kg), rules.PoundsOunces(a.Kg), a.How))
	}
	pipes := func(label string, all []pipeSize) string {
		if len(all) == 0 {
			return label + " -"
		}
		parts := make([]string, len(all))
		for i, s := range all {
			parts[i] = fmt.Sprintf("%s mm %s", millimetres(s.OutsideM), rules.Metres(s.LengthM))
		}
		return label + " " + strings.Join(parts, ", ")
	}
	where := []string{}
	for _, s := range []string{l.Site, l.System, l.Job} {
		if s != "" {
			where = append(where, clipBytes(s, 40))
		}
	}
	lines := []string{
		strings.Join(where, " / "),
		blank(l.Refrigerant),
		charge(labelFactory, l.Factory), charge(labelAdded, l.Added), charge(labelTotal, l.Total),
	}
	date := "-"
	if !l.Charged.IsZero() {
		date = labelDay(l.Charged)
	}
	who := []string{}
	for _, s := range l.Who {
		who = append(who, s.words())
	}
	lines = append(lines,
		labelDate+" "+date,
		labelSigned+" "+blank(clipBytes(strings.Join(who, "; "), 60)),
		pipes(labelLiquid, l.Liquid), pipes(labelGas, l.Gas),
		labelPressure+" "+blank(l.Pressure.Text), labelVacuum+" "+blank(l.Vacuum.Text))
	if l.Warming != "" {
		lines = append(lines, l.Warming)
	}
	if l.Key != "" {
		lines = append(lines, labelKey+" "+l.Key)
	}
	lines = append(lines, l.Notes...)
	text := ""
	for _, line := range lines {
		if len(text)+len(line)+1+len(labelMore) > codeMost {
			return text + labelMore
		}
		text += line + "\n"
	}
	return strings.TrimSuffix(text, "\n")
}

// clipBytes cuts a text to at most so many bytes, and never inside a character.
func clipBytes(s string, most int) string {
	if len(s) <= most {
		return s
	}
	cut := most - len("..")
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + ".."
}

// labelCode is the QR code of a text: of each row the stretches of dark modules.
func labelCode(text string) (*qr.Code, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return nil, fmt.Errorf("the label's code: %w", err)
	}
	return c, nil
}
