package record

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"standwatch/rules"
)

// Label draws the charge label of a job. key is the fingerprint under which the
// box signs; empty: none.
func Label(w io.Writer, r Record, key string, paper LabelPaper) error {
	return labelOf(r, key).pdf(w, paper)
}

// LabelText is the charge label of a job in lines of 40 letters, for a printer
// that knows no others.
func LabelText(r Record, key string) string { return labelOf(r, key).text() }

// labelOf takes from a record what its label shows.
func labelOf(r Record, key string) chargeLabel {
	l := chargeLabel{Site: r.Site, System: r.System.Name, Job: r.Job.Name, Refrigerant: r.System.Refrigerant, Key: key, Made: r.Made}
	if open := r.Charge.FactoryOpen; len(open) > 0 {
		l.Notes = append(l.Notes, fmt.Sprintf(labelFactoryPart, strings.Join(open, ", ")))
	} else if r.Charge.FactoryKg > 0 {
		l.Factory = exactly(r.Charge.FactoryKg)
	} else if len(r.System.Outdoor) > 0 {
		l.Notes = append(l.Notes, labelFactoryOpen)
	}
	l.charge(r)
	l.Total = l.Factory.plus(l.Added)
	l.warming(r.System)
	for _, p := range r.TakeOff.ByDiameter {
		size := pipeSize{p.DiameterM, p.LengthM}
		if p.Line == "liquid" {
			l.Liquid = append(l.Liquid, size)
		} else {
			l.Gas = append(l.Gas, size)
		}
	}
	l.Liquid, l.Gas = sizes(l.Liquid), sizes(l.Gas)
	l.Pressure = proofOf(r, "pressure-test", testedAt)
	l.Vacuum = proofOf(r, "vacuum-hold", heldAt)
	for _, s := range r.Signatures {
		who := labelSigner{s.Name, s.Role}
		if !slices.Contains(l.Who, who) {
			l.Who = append(l.Who, who)
		}
	}
	return l
}

// charge takes what went in. A figure of a weigh-in that goes on is none to keep.
func (l *chargeLabel) charge(r Record) {
	s, given := lastStep(r, "weigh-in")
	v, judged := Verdict{}, false
	if given {
		v, judged = s.verdict()
	}
	c := r.Charge
	switch {
	case judged && c.Weighed:
		l.Added = between(c.LowKg, c.AdditionalKg, c.HighKg)
		l.Added.How = labelWeighed
		if rules.Kilogram.Number(c.UnweighedKg) != rules.Kilogram.Number(0) {
			l.Added.How = fmt.Sprintf(labelPartWeighed, rules.Kilogram.Number(c.UnweighedKg))
		}
		l.Charged = v.At
		if s.Open {
			l.Notes = append(l.Notes, labelAnother)
		}
		l.judged(v, s.Accepted)
	case given && s.Open && c.Weighed:
		l.Notes = append(l.Notes, fmt.Sprintf(labelUnderWay, rules.Kilogram.Number(c.AdditionalKg)))
	case given && judged:
		l.judged(v, s.Accepted)
	case !given && c.Weighed:
		l.Notes = append(l.Notes, fmt.Sprintf(labelOnlyDrawn, rules.Kilogram.Number(c.AdditionalKg)))
	}
	for _, said := range r.Reported {
		if said.Step == "weigh-in" {
			l.Notes = append(l.Notes, fmt.Sprintf(labelReported, saidBy(said)))
		}
	}
	if !l.Added.Known && c.CalculatedKg > 0 {
		l.Notes = append(l.Notes, fmt.Sprintf(labelCalculated, rules.Kilogram.Number(c.CalculatedKg)))
	}
}

// judged adds what was said of a weigh-in that did not pass.
func (l *chargeLabel) judged(v Verdict, accepted []Said) {
	if v.Result != rules.Passed {
		l.Notes = append(l.Notes, v.Text)
	}
	for _, a := range accepted {
		l.Notes = append(l.Notes, fmt.Sprintf(labelAccepted, saidBy(a)))
	}
}

func saidBy(s Said) string { return strings.Join(slicesOf(s.By, s.Text), ": ") }

// warming is the charge as CO2 equivalent, where the site says by which table.
func (l *chargeLabel) warming(s System) {
	if s.GWP == 0 {
		return
	}
	gwp := strconv.FormatFloat(s.GWP, 'f', -1, 64)
	switch t := func(kg float64) string { return fmt.Sprintf("%.1f", kg*s.GWP/1000) }; {
	case !l.Total.Known:
		l.Warming = fmt.Sprintf(labelEquivalentNo, gwp, s.GWPSource)
	case l.Total.band():
		l.Warming = fmt.Sprintf(labelEquivalent, gwp, s.GWPSource, t(l.Total.LowKg)+" to "+t(l.Total.HighKg))
	default:
		l.Warming = fmt.Sprintf(labelEquivalent, gwp, s.GWPSource, t(l.Total.Kg))
	}
}

// lastStep is the job's newest step of a name.
func lastStep(r Record, name string) (Step, bool) {
	for _, s := range slices.Backward(r.Steps) {
		if s.Step == name {
			return s, true
		}
	}
	return Step{}, false
}

// verdict is the step's own.
func (s Step) verdict() (Verdict, bool) {
	for _, v := range slices.Backward(s.Verdicts) {
		if v.Unit == "" {
			return v, true
		}
	}
	return Verdict{}, false
}

// proofOf says what the newest test of a name came to: its figures, its result,
// and who answers for it where it did not pass or the box was not there.
func proofOf(r Record, name string, figures func(Step, Verdict) string) labelProof {
	var parts []string
	if s, ok := lastStep(r, name); ok {
		if v, ok := s.verdict(); ok {
			result := resultWords[v.Result]
			if f := figures(s, v); f != "" {
				result = f + ": " + result
			}
			parts = append(parts, result+", "+labelDay(v.At))
			for _, a := range s.Accepted {
				parts = append(parts, fmt.Sprintf(labelAccepted, saidBy(a)))
			}
		}
	}
	for _, said := range r.Reported {
		if said.Step == name {
			parts = append(parts, fmt.Sprintf(labelReported, saidBy(said)))
		}
	}
	return labelProof{strings.Join(parts, "; ")}
}

// testedAt is what the nitrogen stood at, and how long.
func testedAt(_ Step, v Verdict) string {
	pa, ok := v.Figures.Of("start_pa")
	if !ok {
		return ""
	}
	return rules.Kilopascal.Beside(rules.PSI, pa) + lasted(v)
}

// heldAt is what the vacuum stood at in the end, and its limit.
func heldAt(s Step, v Verdict) string {
	pa, ok := v.Figures.Of("end_pa")
	if !ok {
		return ""
	}
	text := rules.Pascal.Beside(rules.Micron, pa) + lasted(v)
	if limit, ok := v.Figures.Of("limit_pa"); ok {
		text += ", limit " + rules.Micron.Text(limit)
	}
	return text
}

func lasted(v Verdict) string {
	s, ok := v.Figures.Of("elapsed_s")
	if !ok {
		return ""
	}
	return " for " + rules.Span(s)
}
