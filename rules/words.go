package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"standwatch/sensors"
)

// This file is the one catalogue of sentences: what the top of the screen, the
// phone message and the record say. Each says what happened, what it means and
// what to do, with the figure, in the trade's units.

// step names as people say them at the beginning of a sentence.
func stepWord(step string) string {
	words := step
	switch step {
	case "":
		return "Step"
	case "take-off", "draw-in", "weigh-in", "hand-over": // one word each
	default:
		words = strings.ReplaceAll(step, "-", " ")
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

func underWay(step string, elapsed time.Duration, known bool) string {
	if !known {
		return fmt.Sprintf("%s under way since before the box was last started.", stepWord(step))
	}
	if elapsed >= 2*time.Minute { // whole minutes gone, as a step with a set time counts them
		elapsed = elapsed.Truncate(time.Minute)
	}
	return fmt.Sprintf("%s under way for %s.", stepWord(step), span(elapsed))
}

// stepEnded says why a flag is cleared by the end of its step: not because all
// is well again.
func stepEnded(flag, step, result string) string {
	s := fmt.Sprintf("%s has ended, so this is no longer watched for: %s", stepWord(step), FlagWord(flag))
	if result != "" {
		s += fmt.Sprintf("; its verdict stands: %s", strings.ReplaceAll(result, "-", " "))
	}
	return s + "."
}

// FlagWord is a flag as people say it.
func FlagWord(flag string) string {
	if rest, ok := strings.CutPrefix(flag, "take-off-"); ok { // one word
		return "take-off " + strings.ReplaceAll(rest, "-", " ")
	}
	return strings.ReplaceAll(flag, "-", " ")
}

// Silence.

// called is what people call a point: one of an indoor unit by its room.
func called(point string, units []Unit) string {
	for _, u := range units {
		for _, x := range [...]struct{ point, what string }{{u.Supply, "Supply air"}, {u.Return, "Return air"}, {u.WetBulb, "Wet bulb"}, {u.Humidity, "Humidity"}} {
			if point != "" && x.point == point && u.Room != "" {
				return fmt.Sprintf("%s of %s (%s)", x.what, u.Room, point)
			}
		}
	}
	return point
}

func silent(point string, quiet time.Duration) string {
	return fmt.Sprintf("%s silent for %s. Nothing that needs it can be proved meanwhile. Check its power, its cable or its radio.", point, span(quiet))
}

func speaksAgain(point string) string { return fmt.Sprintf("%s is heard again.", point) }

func scaleWatched(step string) string {
	return fmt.Sprintf("%s has begun: the scale's silence is now watched by scale-silent.", stepWord(step))
}

// span says a length of time as people do: 45 s, 23 min, 2 h 10 min.
func span(d time.Duration) string {
	switch s := int(math.Round(d.Seconds())); {
	case s < 120:
		return fmt.Sprintf("%d s", s)
	case s < 60*60-30:
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
	"over-corrected": "its correction makes a value of it that cannot be (over-corrected): look at its calibration",
	"fault":          "it reports a fault of its own (fault)",

	"short-circuit":   "its probe or cable is short-circuited (short-circuit)",
	"hung":            "it holds its bus and does not answer in time (hung)",
	"wrong-identity":  "another device answers in its place (wrong-identity)",
	"brown-out":       "its supply broke down (brown-out)",
	"stale":           "it answers but measures nothing new (stale)",
	"over-voltage":    "a wire of its probe carries a foreign voltage (over-voltage)",
	"ground-contact":  "a wire of its probe touches ground (ground-contact)",
	"cold-junction":   "its converter is itself too cold or too hot (cold-junction)",
	"reversed":        "it is colder than its pipe can be (reversed): the two wires of its thermocouple may be exchanged",
	"below-live-zero": "its signal is lower than its zero (below-live-zero): no supply, or a broken wire",
	"under-range":     "it is less than the instrument reads, or its plug is out (under-range)",
	"over-range":      "it is more than the instrument reads, a wire is shorted, or it says so that it has failed (over-range)",
	"no-supply":       "what feeds its probe has no voltage (no-supply)",
	"disturbed":       "another program sets its converter while it measures (disturbed)",
	"no-conversion":   "its converter never says that it is done (no-conversion)",

	"overload":     "more lies on it than it can take (overload)",
	"underload":    "it shows less than nothing on it (underload): its platform, or its zero",
	"net-weight":   "it sends a net weight (net-weight): press gross",
	"gross-weight": "it sends a gross weight (gross-weight): press net",
	"no-answer":    "no whole answer comes from it (no-answer)",
	"chatter":      "its contact does not come to rest (chatter): a loose wire",
}

func fails(point string, since time.Duration, reason string) string {
	return fmt.Sprintf("%s has given no value for %s: %s. Look at the instrument and its cable.", point, span(since), whyNoValue(reason))
}

const noReason = "no reason is given"

func whyNoValue(reason string) string {
	switch why := reasonWords[reason]; {
	case why != "":
		return why
	case reason == "":
		return noReason
	}
	return reason
}

func readsAgain(point string) string { return fmt.Sprintf("%s gives values again.", point) }

func batteryIsLow(point string) string {
	return fmt.Sprintf("The battery of %s is low. Change or charge it before it falls silent.", point)
}

func batteryIsGood(point string) string {
	return fmt.Sprintf("The battery of %s is good again.", point)
}

// ofSpan says how far a step of a set length is: 23 of 60 min, 3 h of 24 h.
func ofSpan(elapsed, lasts time.Duration) string {
	if elapsed.Truncate(time.Minute) > lasts {
		return fmt.Sprintf("%s, past its %s", minutesGone(elapsed), minutesGone(lasts))
	}
	if elapsed > 2*time.Minute {
		elapsed = elapsed.Truncate(time.Minute) // what is left is rounded up beside it
	}
	if lasts <= time.Hour {
		return fmt.Sprintf("%d of %d min", int(elapsed.Minutes()), int(math.Round(lasts.Minutes())))
	}
	return fmt.Sprintf("%s of %s", span(elapsed), span(lasts))
}

// minutesGone says a time gone by in whole minutes, as it is counted beside what is left.
func minutesGone(d time.Duration) string {
	if d < time.Hour {
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return span(d.Truncate(time.Minute))
}

// wholeMinutes rounds a time left up, so that with what has gone by, which is cut
// to whole minutes, it makes the whole.
func wholeMinutes(left time.Duration) time.Duration {
	if left <= 2*time.Minute {
		return left
	}
	return (left + time.Minute - 1).Truncate(time.Minute)
}

// Splits.

func kelvin(k float64) string { return Kelvin.Beside(Rankine, k) }

func unitName(u Unit) string {
	if u.Room == "" {
		return u.Name
	}
	return fmt.Sprintf("%s (%s)", u.Name, u.Room)
}

// figure says a value in the trade's unit with its SI value beside it.
func figure(v float64, q sensors.Quantity) string {
	switch q {
	case sensors.Vacuum:
		return micronSI(v)
	case sensors.Pressure, sensors.AbsolutePressure:
		return PSI.Beside(Kilopascal, v)
	case sensors.Temperature:
		return Celsius.Beside(Fahrenheit, v)
	case sensors.Mass:
		return Kilogram.Beside(Pound, v)
	}
	return AsGiven(v) + " " + q.SI()
}
