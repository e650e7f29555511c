package fieldlog

import "time"

// time reads RFC 3339 into Unix ms. What is finer than a millisecond is cut
// off, so that no time lies after the one that was written.
func (r *Reader) time(b []byte) (ms int64, ok bool) {
	const least = len("2026-03-14T22:05:00Z")
	if len(b) < least || b[10] != 'T' && b[10] != 't' || b[13] != ':' || b[16] != ':' {
		return 0, false
	}
	if string(b[:10]) != string(r.date[:]) {
		if r.dateMs, ok = day(b[:10]); !ok {
			r.date = [10]byte{}
			return 0, false
		}
		copy(r.date[:], b)
	}
	h, m, s := two(b[11:]), two(b[14:]), two(b[17:])
	if h < 0 || h > 23 || m < 0 || m > 59 || s < 0 || s > 59 {
		return 0, false
	}
	ms = r.dateMs + int64(h*3600+m*60+s)*1000
	b = b[19:]
	if b[0] == '.' {
		n, scale := 1, int64(100)
		for ; n < len(b) && b[n] >= '0' && b[n] <= '9'; n++ {
			ms += int64(b[n]-'0') * scale
			scale /= 10
		}
		if n == 1 || n == len(b) {
			return 0, false
		}
		b = b[n:]
	}
	if len(b) == 1 && (b[0] == 'Z' || b[0] == 'z') {
		return ms, true
	}
	if len(b) != len("+01:00") || b[0] != '+' && b[0] != '-' || b[3] != ':' {
		return 0, false
	}
	h, m = two(b[1:]), two(b[4:])
	if h < 0 || h > 23 || m < 0 || m > 59 {
		return 0, false
	}
	off := int64(h*60+m) * 60000
	if b[0] == '-' {
		off = -off
	}
	return ms - off, true
}

// day reads a date into the Unix ms of its midnight in UTC.
func day(b []byte) (ms int64, ok bool) {
	hi, lo, month, d := two(b), two(b[2:]), two(b[5:]), two(b[8:])
	if hi < 0 || lo < 0 || month < 0 || d < 0 || b[4] != '-' || b[7] != '-' {
		return 0, false
	}
	t := time.Date(100*hi+lo, time.Month(month), d, 0, 0, 0, 0, time.UTC)
	return t.UnixMilli(), t.Month() == time.Month(month) && t.Day() == d
}

// two reads two digits, or -1.
func two(b []byte) int {
	x, y := b[0]-'0', b[1]-'0'
	if x > 9 || y > 9 {
		return -1
	}
	return int(x)*10 + int(y)
}

// appendTime writes Unix ms in UTC with Z and exactly three decimals.
func appendTime(b []byte, ms int64) []byte {
	return time.UnixMilli(ms).UTC().AppendFormat(b, "2006-01-02T15:04:05.000Z")
}
