package rules

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// This file is the one catalogue of sentences: what the top of the screen, the
// phone message and the record say. Each says what happened, what it means and
// what to do, with the figure, in the trade's units.

// step names as people say them at the beginning of a sentence.
func stepWord(step string) string {
	words := strings.ReplaceAll(step, "-", " ")
	if words == "" {
		return "Step"
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

func underWay(step string, elapsed time.Duration, known bool) string {
	if !known {
		return fmt.Sprintf("%s under way since before the box was last started.", stepWord(step))
	}
	return fmt.Sprintf("%s under way for %s.", stepWord(step), span(elapsed))
}

func stepEnded(flag, step string) string {
	return fmt.Sprintf("%s has ended, so %s is no longer watched for.", stepWord(step), flag)
}

// Silence.

func silent(point string, quiet time.Duration) string {
	return fmt.Sprintf("%s silent for %s. Nothing that needs it can be proved meanwhile. Check its power, its cable or its radio.", point, span(quiet))
}

func speaksAgain(point string) string { return fmt.Sprintf("%s is heard again.", point) }

func scaleWatched(step string) string {
	return fmt.Sprintf("%s has begun: the scale's silence is now watched by scale-silent.", stepWord(step))
}

func scaleIsSilent(quiet time.Duration, c charge) string {
	return fmt.Sprintf("Scale silent for %s at %s. What flows now is not weighed. Close the cylinder valve or wake the scale.", span(quiet), ofTarget(c))
}

func scaleSpeaks(c charge) string {
	return fmt.Sprintf("The scale is heard again, at %s.", ofTarget(c))
}

func ofTarget(c charge) string {
	if !c.aimed {
		return fmt.Sprintf("%.2f kg", c.bestKg)
	}
	return fmt.Sprintf("%.2f of %.2f kg", c.bestKg, c.targetKg)
}

// span says a length of time as people do: 45 s, 23 min, 2 h 10 min.
func span(d time.Duration) string {
	switch s := int(math.Round(d.Seconds())); {
	case s < 120:
		return fmt.Sprintf("%d s", s)
	case s < 120*60:
		return fmt.Sprintf("%d min", (s+30)/60)
	case (s+30)/60%60 == 0:
		return fmt.Sprintf("%d h", (s+30)/3600)
	default:
		m := (s + 30) / 60
		return fmt.Sprintf("%d h %d min", m/60, m%60)
	}
}

// Failing instruments.

// reasonWords say a health reason as a person would; others are said as they are.
var reasonWords = map[string]string{
	"crc":            "its check sum does not fit (crc): a long or wet cable, or interference",
	"open-circuit":   "its circuit is open (open-circuit): a broken wire or a loose terminal",
	"power-on-value": "it shows what it shows before measuring (power-on-value): its supply drops out",
	"disconnected":   "it does not answer (disconnected)",
	"offline":        "it has signed off (offline)",
	"garbage":        "what it sends cannot be read (garbage)",
	"not-a-number":   "it sends no number (not-a-number)",
	"off-scale":      "its value is outside what can be (off-scale)",
	"wrong-unit":     "it sends another unit (wrong-unit)",
	"oversize":       "what it sends is too long to be a reading (oversize)",
	"fault":          "it reports a fault of its own (fault)",
}

func fails(point string, since time.Duration, reason string) string {
	why := reasonWords[reason]
	if why == "" {
		why = reason
	}
	if why == "" {
		why = "no reason is given"
	}
	return fmt.Sprintf("%s has given no value for %s: %s. Look at the instrument and its cable.", point, span(since), why)
}

func readsAgain(point string) string { return fmt.Sprintf("%s gives values again.", point) }

func batteryIsLow(point string) string {
	return fmt.Sprintf("The battery of %s is low. Change or charge it before it falls silent.", point)
}

func batteryIsGood(point string) string {
	return fmt.Sprintf("The battery of %s is good again.", point)
}
