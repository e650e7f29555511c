package record

import (
	"cmp"
	"fmt"
)

// The sentences of earlier visits.
const (
	visitNewer   = "Its record is of format %d, this program's of %d: what both know is shown."
	visitLacks   = "Its record has no part %q: nothing of it can be shown."
	visitUnread  = "The part %q of its record could not be read: nothing of it is shown."
	visitStrange = "This program does not know these parts of its record: %s."
	visitSteps   = "This program does not know these steps of its record: %s."
	visitFigures = "%d figures of its record are none that a box writes, and were left out."
	visitMany    = "Its record has more %s than are shown: %d, of which %d were taken."

	earlierTitle   = "Figures of an earlier visit"
	earlierMeans   = "As the bundle of that visit told them, beside this job's. Nothing is judged by them: weather, load and instruments differ from one visit to the next, and the outdoor air of each step stands beside. Differences are of the figures before rounding, now less then."
	earlierUnkept  = "This journal holds the mark alone, not the figures: it was made from a field log, or they lie in the box that took the bundle in. Take the bundle in once more to see them."
	earlierChanged = "From a bundle that was changed: its figures prove nothing. "
	earlierNone    = "Neither visit has figures that could be set side by side."
	allByName      = "Units were matched by name: no address was entered on one of the visits."
)

func visitOtherSite(there, here string) string {
	return fmt.Sprintf("It is of the site %q; this one is %q.", there, here)
}

func visitOtherSystem(there, here string) string {
	return fmt.Sprintf("It is of the system %q, not of %q.", cmp.Or(there, "without a name"), here)
}

func visitOtherFluid(there, here string) string {
	return fmt.Sprintf("That system held %s; this one holds %s.", there, here)
}

// knownWord says who vouches for the key of a bundle.
func knownWord(known, key string) string {
	switch {
	case key == "":
		return "no signature holds"
	case known == KeyGiven:
		return "compared with the fingerprint on the paper when it was taken in"
	case known == KeyOwn:
		return "this box's own"
	case known == KeyEarlier:
		return "the same as of a bundle taken in before"
	}
	return "not known to this box: compare it with that visit's paper"
}

// KnownWord says who vouches for a visit's key.
func KnownWord(v Visit) string { return knownWord(v.Known, v.Key) }

// stateThen is how a step came out at a visit.
func stateThen(state string) string {
	if state == "" {
		return "not begun"
	}
	return outcome(state)
}
