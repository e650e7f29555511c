package rules

import (
	"fmt"
	"slices"
	"strings"
)

// The sentences of marks that cannot be meant as they stand, and of steps
// without anything to judge them by.

func begunTwice(step string) string {
	return fmt.Sprintf("%s was begun again while it was under way. The first one counts as ended there, with what it had shown by then; the new one counts from now. Both stand in the record.", stepWord(step))
}

func begunBeside(step string, others []string) string {
	return fmt.Sprintf("%s was begun while there is under way: %s. One pipework is in one of these at a time. Each is judged as it stands. End what is over; if it was begun too early, end it and begin it again when its time has come.", stepWord(step), strings.Join(others, ", "))
}

func begunBeforeEnd(step, unit string) string {
	of := stepWord(step)
	if unit != "" {
		of += ", " + unit
	}
	return fmt.Sprintf("%s not proven: it was begun again before it had ended. What it had measured by then stands in the record.", of)
}

func acknowledgedNothing(flag string) string {
	said := "An acknowledged mark names no flag"
	if flag != "" {
		said = fmt.Sprintf("An acknowledged mark names %q, and no flag is called so", flag)
	}
	return said + ": nothing was acknowledged, and calls go on. Acknowledge on the page Flags, or tell it again with the flag's name: scale-silent."
}

func acknowledgedOther(flag, subject string, up []string) string {
	of := "for the whole system"
	if up = slices.DeleteFunc(up, func(s string) bool { return s == "" }); len(up) > 0 {
		of = "for " + listed(up)
	}
	return fmt.Sprintf("An acknowledged mark names %s for %q, but it is open %s: nothing was acknowledged, and calls go on. Acknowledge on the page Flags, or tell it again with what it is open for, or with the flag's name alone.", flag, subject, of)
}

func endedUnbegun(step string) string {
	return fmt.Sprintf("%s was ended, but it was not under way: its begin was never told, or it had ended already. Without a begin nothing is judged. Begin the step before the work, and end it after.", stepWord(step))
}

func markStray(mark string, steps []string) string {
	var words []string
	for _, s := range steps {
		words = append(words, strings.ToLower(stepWord(s)))
	}
	or := ""
	if mark == "isolated" {
		or = fmt.Sprintf("; a vacuum hold begun within %s takes it as its own", span(isolatedBefore))
	}
	return fmt.Sprintf("%s was told while none of these is under way: %s. It is kept, and nothing was made of it. If it belongs to one of them, begin that step and tell it again%s.",
		strings.ToUpper(mark[:1])+strings.ReplaceAll(mark[1:], "-", " "), strings.Join(words, ", "), or)
}

// markAgainst: what the mark would mean for the step that is under way.
func markAgainst(mark, step string) string {
	of := strings.ToLower(stepWord(step))
	if mark == "pump-started" {
		return fmt.Sprintf("Pump started was told while the %s is under way. Only a pipe that is valved off from the pump proves anything. The %s goes on as if it were; if the valve to the pump was opened, end it, pull again and begin it anew.", of, of)
	}
	return fmt.Sprintf("Valves opened was told while the %s is under way. Through open service valves the outdoor unit's charge comes into the pipes, and the %s shows nothing. If they are open, shut them as the unit maker says and call the technician in charge; if it was told by mistake, go on: the %s is judged as it stands.", of, of, of)
}

func answerOfNothing(mark, note string) string {
	return fmt.Sprintf("A step was told as %s, but the note names none: %q. It is kept, and nothing was made of it. Tell it again with the step first: pressure-test by Ines: certificate 14.", mark, note)
}

func answerOfNobody(mark, note string) string {
	_, step, _, _ := CutStep(note)
	return fmt.Sprintf("A step was told as %s without a name and a reason: %q. It is kept, and nothing was made of it. Tell it again with both: %s by Ines: the reason, or the document.", mark, note, step)
}

func answerOfNoSystem(mark, note string, systems []string) string {
	_, step, _, _ := CutStep(note)
	site, again := "The site has "+strings.Join(systems, ", "), OfSystem(systems[0], step)
	if systems[0] == "" {
		site = "The site's only system has no name"
	}
	return fmt.Sprintf("A step was told as %s, but of no system that the site has: %q. %s. It is kept, and nothing was made of it. Tell it again so: %s by Ines: the reason, or the document.", mark, note, site, again)
}

func markStands(subject string) string {
	of := strings.ReplaceAll(subject, "-", " ")
	if knownStep(subject) {
		of = strings.ToLower(stepWord(subject))
	}
	return fmt.Sprintf("The work went on; what was told stands in the record: %s.", of)
}

func noPointFor(step string, roles []string) string {
	return fmt.Sprintf("%s has begun, but the site file has no point with the role %s, so nothing can be judged. Add one under points, with role: %s, start the box again and begin the step again.",
		stepWord(step), strings.Join(roles, " or "), roles[0])
}
