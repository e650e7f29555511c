package mqtt

import (
	"math"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// jsonReading takes the point's value, and what goes with it, from a valid
// document. ok is false where the document has no such value.
func (f *feed) jsonReading(doc []byte) (r sensors.Reading, ok bool) {
	if f.fault != nil {
		if reason := fault(f.fault.find(doc)); reason != "" {
			r = failed(f, reason)
			f.told(&r, doc)
			return r, true
		}
	}
	raw := f.value.find(doc)
	if raw == nil {
		return r, false
	}
	value, isNumber := f.number(raw)
	if !isNumber {
		r = failed(f, sensors.ReasonNotANumber)
		f.told(&r, doc)
		return r, true
	}
	unit := ""
	if f.unit != nil {
		if raw := f.unit.find(doc); len(raw) > 0 && raw[0] == '"' {
			unit = string(trim([]byte(text(raw))))
		}
	}
	r = f.reading(value, unit)
	readable := f.told(&r, doc)
	if r.Health.Grade != sensors.Good {
		return r, true
	}
	switch {
	case !readable:
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonTime}
	case f.battery != nil && f.batteryIsLow(f.battery.find(doc)):
		r.Health = sensors.Health{Grade: sensors.Suspect, Reason: sensors.ReasonBatteryLow}
	}
	return r, true
}

// told sets the instrument's own time and sequence number. It reports false
// where a time was given and cannot be read: the value stands then, and the
// time does not.
func (f *feed) told(r *sensors.Reading, doc []byte) (readable bool) {
	if f.seq != nil {
		r.Seq, r.HasSeq = sequence(f.seq.find(doc))
	}
	if f.time == nil {
		return true
	}
	raw := f.time.find(doc)
	if raw == nil || string(raw) == "null" {
		return true // it told none
	}
	r.Own, readable = ownTime(raw, f.timeFormat)
	return readable
}

// number reads a JSON number, or a string that is wholly one; of a contact
// also true, false and the words for them.
func (f *feed) number(raw []byte) (float64, bool) {
	if raw[0] == '"' {
		s := text(raw)
		if f.Quantity == sensors.Contact {
			if v, ok := contact([]byte(s)); ok {
				return v, true
			}
		}
		return wholeNumber(s)
	}
	if f.Quantity == sensors.Contact && (raw[0] == 't' || raw[0] == 'f') {
		return contact(raw)
	}
	return plainFloat(raw)
}

// plainFloat reads a JSON number; what is too large becomes an infinity, for
// the quantity to refuse.
func plainFloat(raw []byte) (float64, bool) {
	if raw[0] != '-' && (raw[0] < '0' || raw[0] > '9') {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(raw), 64)
	return v, err == nil || math.IsInf(v, 0)
}

// wholeNumber reads a string that is a decimal number and nothing else.
func wholeNumber(s string) (float64, bool) {
	b := trim([]byte(s))
	if len(b) == 0 || decimal(b) != len(b) {
		return 0, false
	}
	v, err := strconv.ParseFloat(string(b), 64)
	return v, err == nil || math.IsInf(v, 0)
}

func sequence(raw []byte) (uint64, bool) {
	if len(raw) > 1 && raw[0] == '"' {
		raw = raw[1 : len(raw)-1]
	}
	n, err := strconv.ParseUint(string(raw), 10, 64)
	return n, err == nil
}

// millisecondsFrom is where a number that may be Unix seconds or milliseconds
// begins to be milliseconds: as seconds it is the year 5138, as milliseconds
// March 1973.
const millisecondsFrom = 1e11

// latest is the end of the year 9999 in Unix ms: beyond it no calendar prints a time.
const latest = 253402300799999

// ownTime reads an instrument's time into Unix milliseconds. A clock that was
// never set (zero or before 1970) counts as unreadable.
func ownTime(raw []byte, form string) (ms int64, readable bool) {
	v, isNumber := plainFloat(raw)
	if !isNumber {
		if raw[0] != '"' {
			return 0, false
		}
		s := text(raw)
		if v, isNumber = wholeNumber(s); !isNumber {
			if form != "auto" && form != "rfc3339" {
				return 0, false
			}
			t, err := time.Parse(time.RFC3339Nano, s)
			if err != nil || t.UnixMilli() <= 0 {
				return 0, false
			}
			return t.UnixMilli(), true
		}
	}
	if form == "rfc3339" {
		return 0, false
	}
	if form == "unix" || form == "auto" && v < millisecondsFrom {
		v *= 1e3
	}
	if v = math.Round(v); !(v > 0 && v <= latest) {
		return 0, false
	}
	return int64(v), true
}

// batteryIsLow reads a level, or a flag that says low.
func (f *feed) batteryIsLow(raw []byte) bool {
	if len(raw) == 0 {
		return false
	}
	if raw[0] == 't' {
		return true
	}
	var level float64
	var unit string
	var ok bool
	if raw[0] == '"' {
		level, unit, ok = plainNumber([]byte(text(raw)))
	} else {
		level, ok = plainFloat(raw)
	}
	low, known := f.batteryState(level, unit, ok)
	return low && known
}

// fault returns the reason where an instrument reports a fault: true, a number
// other than zero, a text, a list or object that is not empty. A text becomes
// the reason itself. Texts that say there is none are none.
func fault(raw []byte) string {
	if len(raw) == 0 {
		return ""
	}
	switch raw[0] {
	case 't':
		return sensors.ReasonFault
	case 'f', 'n':
		return ""
	case '{', '[':
		if inner := skipSpace(raw, 1); raw[inner] == '}' || raw[inner] == ']' {
			return ""
		}
		return sensors.ReasonFault
	case '"':
		return faultText(text(raw))
	}
	if v, ok := plainFloat(raw); ok && v == 0 {
		return ""
	}
	return sensors.ReasonFault
}

func faultText(s string) string {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "", "0", "false", "no", "none", "ok", "off":
		return ""
	}
	if _, numeric := wholeNumber(s); numeric {
		return sensors.ReasonFault
	}
	return slug(s)
}

const longestReason = 40

// slug makes a reason of a text: lower-case words joined by hyphens.
func slug(s string) string {
	var b strings.Builder
	gap := false
	for _, c := range strings.ToLower(s) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			if gap && b.Len() > 0 {
				b.WriteByte('-')
			}
			gap = false
			b.WriteRune(c)
		} else {
			gap = true
		}
		if b.Len() >= longestReason {
			break
		}
	}
	if b.Len() == 0 {
		return sensors.ReasonFault
	}
	return b.String()
}
