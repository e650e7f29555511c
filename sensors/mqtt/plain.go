package mqtt

import (
	"bytes"
	"strconv"

	"standwatch/sensors"
)

// plainReading reads a payload that is a number and perhaps a unit: "12.3",
// "12.3 micron", " -5.0 C ". A contact may also say on, off, open, closed, true or false.
func (f *feed) plainReading(payload []byte) sensors.Reading {
	if f.Quantity == sensors.Contact {
		if v, ok := contact(trim(payload)); ok {
			return f.reading(v, "1")
		}
	}
	v, unit, ok := plainNumber(payload)
	if !ok {
		if notANumber(trim(payload)) {
			return failed(f, sensors.ReasonNotANumber)
		}
		return failed(f, sensors.ReasonGarbage)
	}
	return f.reading(v, unit)
}

// plainNumber splits a payload into its number and unit.
func plainNumber(payload []byte) (v float64, unit string, ok bool) {
	b := trim(payload)
	end := decimal(b)
	if end == 0 {
		return 0, "", false
	}
	v, err := strconv.ParseFloat(string(b[:end]), 64)
	if err != nil && v == 0 { // what is too large comes back as an infinity, for the quantity to refuse
		return 0, "", false
	}
	rest := b[end:]
	symbol := trim(rest)
	if len(symbol) > longestUnit {
		return 0, "", false
	}
	for _, c := range symbol {
		if c <= ' ' {
			return 0, "", false
		}
	}
	// "1,5" and "12.3.4" are no number with a unit after it.
	if len(symbol) > 0 && len(rest) == len(symbol) && (symbol[0] == ',' || symbol[0] == '.' || symbol[0] >= '0' && symbol[0] <= '9') {
		return 0, "", false
	}
	return v, string(symbol), true
}

const longestUnit = 16

// decimal returns the length of the decimal number that b starts with: an
// optional sign, digits, perhaps a point, perhaps an exponent.
func decimal(b []byte) int {
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		i++
	}
	whole := scanDigits(b, i)
	digits := whole - i
	i = whole
	if i < len(b) && b[i] == '.' {
		end := scanDigits(b, i+1)
		digits += end - i - 1
		i = end
	}
	if digits == 0 {
		return 0
	}
	if i < len(b) && (b[i] == 'e' || b[i] == 'E') {
		j := i + 1
		if j < len(b) && (b[j] == '-' || b[j] == '+') {
			j++
		}
		if end := scanDigits(b, j); end > j {
			i = end
		}
	}
	return i
}

func trim(b []byte) []byte { return bytes.Trim(b, " \t\r\n\x00") }

// notANumber knows the words by which programs print that there is no number.
func notANumber(b []byte) bool {
	if len(b) > 9 {
		return false
	}
	switch string(bytes.ToLower(bytes.TrimLeft(b, "+-"))) {
	case "nan", "inf", "infinity", "null", "none", "n/a", "unknown":
		return true
	}
	return false
}

// contact knows the words for the two states of a contact.
func contact(b []byte) (v float64, ok bool) {
	if len(b) > 6 {
		return 0, false
	}
	switch string(bytes.ToLower(b)) {
	case "on", "closed", "true":
		return 1, true
	case "off", "open", "false":
		return 0, true
	}
	return 0, false
}
