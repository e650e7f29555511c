package rules

import "slices"

// What marks leave behind that no judge keeps: a step that begins later gets it
// with its Start.

// mostPlaced is how many marks of a carried instrument are remembered: a walk
// through the largest building, several times over.
const mostPlaced = 500

// ordered keeps what was asked of a unit, and where a carried instrument is.
func (e *Engine) ordered(entry Entry, b *Told) {
	switch {
	case b.Kind == "command":
		if e.commands[b.Name] != b.Note {
			e.askedAt[b.Name] = entry.At
		}
		e.commands[b.Name] = b.Note
	case b.Kind == "mark" && b.Name == "placed" && !IsExchange(b.Note):
		e.placed = append(e.placed, b.Note)
		e.placed = e.placed[max(0, len(e.placed)-mostPlaced):]
	}
}

// turn takes a mark of a job. Another one of a system begins with nothing proved:
// what an earlier job weighed, passed, ticked or accepted is not its own. The
// take-off stays, for the pipes do, and so does what is sealed.
func (e *Engine) turn(entry Entry, b *Told) {
	system, began := e.jobs.Tell(entry, b)
	if !began {
		return
	}
	e.answered = slices.DeleteFunc(slices.Clone(e.answered), func(s Step) bool { return s.System == system })
	delete(e.swapped, system)
	delete(e.isolated, system)
	if l := e.checksOf(system); l != nil {
		l.Renew()
	}
	e.drop(system)
	e.seatAll()
}

// tick keeps how the checks stand.
func (e *Engine) tick(entry Entry, b *Told) {
	for _, l := range e.checks {
		l.Tell(entry, b)
	}
}

func (e *Engine) checksOf(system string) *CheckList {
	for _, l := range e.checks {
		if l.system == system {
			return l
		}
	}
	return nil
}

// swap notes a mark of a cylinder swapped: between two steps no judge hears it.
func (e *Engine) swap(entry Entry, b *Told) {
	if b.Kind == "mark" && b.Name == "cylinder-swapped" {
		e.swapped[b.System] = entry.Seq
	}
}

// valve keeps when a system's pump was said to be valved off: who says so just before a
// hold's begin says it of the hold.
func (e *Engine) valve(entry Entry, b *Told) {
	system, ok := e.systemOf(b.System)
	switch {
	case !ok:
	case b.Kind == "mark" && b.Name == "isolated":
		e.isolated[system] = e.happened(entry, b)
	case b.Kind == "mark" && b.Name == "pump-started", b.Kind == "begin" && b.Name == "evacuation":
		delete(e.isolated, system)
	}
}

// answer notes a step that a person answers for by a mark.
func (e *Engine) answer(b *Told) {
	if b.Kind != "mark" || b.Name != "reported" && b.Name != "accepted" {
		return
	}
	system, step, _, ok := CutStep(b.Note)
	if system == "" {
		system = b.System
	}
	if system, known := e.systemOf(system); ok && known && Answers(b) {
		e.answered = append(e.answered, Step{System: system, Name: step})
	}
}

func (e *Engine) answeredOn(system string) (steps []string) {
	for _, s := range e.answered {
		if s.System == system {
			steps = append(steps, s.Name)
		}
	}
	return steps
}
