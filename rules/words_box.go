package rules

import (
	"fmt"
	"time"
)

// The sentences of what concerns the box itself: its power, its clock, its
// store and its disk.

// boxAway says that the box saw nothing for a while.
func boxAway(b Started) string {
	gap := "for " + span(b.Gap)
	if !b.GapKnown {
		gap = "for a time that no proven clock can tell"
	}
	if b.Same {
		return fmt.Sprintf("The box's program ended and was started again; it saw nothing %s. The machine kept its power.", gap)
	}
	return fmt.Sprintf("The box was without power and saw nothing %s. Find out what else lost power.", gap)
}

// missed says what a time without the box means for a step under way.
func missed(s Step, b Started, judged bool) string {
	step := stepWord(s.Name)
	if s.System != "" {
		step += " of " + s.System
	}
	long := !b.GapKnown || b.Gap > gapMost
	switch {
	case judged:
		return step + ": its verdict stands, and it is watched on."
	case s.Name == "draw-in", s.Name == "weigh-in":
		return step + ": no scale saw what flowed meanwhile. Look at the cylinder valve and at the scale's zero."
	case s.Name == "evacuation":
		return step + ": a pump that stopped can let air and oil back (common practice). Look at its valve before you rely on the vacuum."
	case s.Name == "preheat":
		return step + ": see whether the outdoor unit lost its power, too."
	case s.Name == "trial-run" && long:
		return step + " counts anew from now."
	case s.Name != "pressure-test" && s.Name != "vacuum-hold":
		return step + " goes on without what happened meanwhile."
	case s.Name == "pressure-test" && b.GapKnown && b.Gap > bridged:
		lasts, _ := limit(s, "lasts")
		if most := unheardMost(asTime(lasts.Value)); b.Gap > most {
			return fmt.Sprintf("%s: more than the %s that may go by unheard, so it is not proven. Begin it again.", step, span(most))
		}
		return step + " goes on: two levels are compared, and its verdict says for how long nobody listened."
	case !b.GapKnown:
		return step + ": a gap of unknown length proves nothing. Begin it again."
	case long:
		return fmt.Sprintf("%s: more than the %s that can be made up, so it is not proven. Begin it again.", step, span(gapMost))
	case b.Gap > bridged:
		return fmt.Sprintf("%s lasts %s longer.", step, span(b.Gap))
	}
	return step + " goes on: so short a gap is bridged."
}

func awayAgain(same bool) string {
	if same {
		return "The box has been started once more; what that means is told anew."
	}
	return "The power failed again; what that means is told anew."
}

func stayedUp(d time.Duration) string {
	return fmt.Sprintf("The box has run without a break for %s, and no step that was interrupted is still under way.", span(d))
}

// The clock.

func clockDoubt(s Step) string {
	return fmt.Sprintf("%s runs by a clock that nothing has proven since the box was started. Durations are right all the same; the times of day may be wrong until a time server is reached. Compare the time on the Box page with a watch.", stepWord(s.Name))
}

func clockProven() string {
	return "The box's clock is proven now; the times of this run are right, those written before, too."
}

func clockNoMatter() string { return "No timed step is under way any more." }

func clockWasSet(by time.Duration) string {
	return fmt.Sprintf("The box's clock was set %s %s. Durations do not hang on it and stand; the times of day of this run are told anew by the new clock. If nobody meant this, compare it with a watch.", clockOff(by), ahead(by))
}

func clockCameRight(by time.Duration) string {
	return fmt.Sprintf("The box's clock is proven now: it was set %s %s, and the times of this run with it. Durations stand as they are.", clockOff(by), ahead(by))
}

// clockOff says how far a clock was: a board that began in 1970 was off by more hours than anybody reads.
func clockOff(by time.Duration) string {
	if by = max(by, -by); by < 48*time.Hour {
		return span(by)
	}
	return Decimals(by.Hours()/24, 0) + " days"
}

func ahead(by time.Duration) string {
	if by < 0 {
		return "back"
	}
	return "ahead"
}

func clockSteady(d time.Duration) string {
	return fmt.Sprintf("The clock has not been set for %s.", span(d))
}

// The store and the disk.

func storeAway(name string, quiet time.Duration) string {
	return fmt.Sprintf("The store %s has taken no readings for %s. Nothing is lost: the box keeps them and sends them later. The supervisor's view stands still meanwhile. Look at the site's network, then at the Box page.", name, span(quiet))
}

func storeBack(name string) string {
	return fmt.Sprintf("The store %s takes readings again; what it missed follows.", name)
}

// silentAway says of a silence that the box knows the cause of: the instrument
// is not what to look at first.
func silentAway(point, broker string, quiet time.Duration) string {
	return fmt.Sprintf("%s silent for %s: its broker %s is not reached, and nothing that needs the point can be proved meanwhile. Look at the broker's power and its network, then at the Box page.", point, span(quiet), broker)
}

func diskLow(part float64) string {
	return fmt.Sprintf("Only %.0f %% of the disk that keeps the journal is free. When it is full, readings are no longer kept. Make room on it, or put in a larger one between two steps.", part*100)
}

func diskEnough(part float64) string {
	return fmt.Sprintf("%.0f %% of the journal's disk is free again.", part*100)
}

func chainBroken(first, last string) string {
	return fmt.Sprintf("Entries %s to %s of the journal are no longer those that came: somebody changed it, or its disk is failing. What a paper says of them is proved no longer, and no bundle is signed over it; readings are kept as before. Copy the box's data folder as it lies, set an earlier bundle beside it (standwatch verify), and change the disk if nobody touched the file.", first, last)
}

func chainUnread(first, last string) string {
	return fmt.Sprintf("Entries %s to %s of the journal cannot be read any more: its disk is failing or its file is damaged, though it may still take new ones. Papers, bundles and curves over them cannot be made, and a start of the box may not get past them. Copy the box's data folder now, as far as it can be read, and put in another disk between two steps.", first, last)
}

const chainWhole = "All entries of the journal were found to be those that came."
