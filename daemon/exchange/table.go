package exchange

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// What a list may be: our choice, far above any building's.
const (
	mostBytes = 1 << 20
	mostLines = 5000
	mostCell  = 2000 // characters between two quotes
	mostBreak = 4    // line breaks within a cell
)

// otherFile says what a file is that is no text, by how such files begin, and what to do.
func otherFile(data []byte) error {
	head := data[:min(len(data), 4096)]
	begins := func(all ...string) bool {
		return slices.ContainsFunc(all, func(s string) bool { return bytes.HasPrefix(data, []byte(s)) })
	}
	holds := func(all ...string) bool {
		return slices.ContainsFunc(all, func(s string) bool { return bytes.Contains(head, []byte(s)) })
	}
	text := bytes.ToLower(bytes.TrimSpace(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))))
	switch {
	case begins("PK") && holds("[Content_Types].xml", "xl/", "opendocument.spreadsheet"), begins("\xd0\xcf\x11\xe0"):
		return errors.New("this is a spreadsheet's own file, not text; open it and save the sheet as CSV")
	case begins("PK\x03\x04", "PK\x05\x06", "\x1f\x8b", "7z\xbc\xaf", "Rar!"):
		return errors.New("this is a packed file, not a list; unpack it, and import the list that is in it")
	case begins("%PDF"):
		return errors.New("this is a PDF, not a list; ask for the list as CSV, or type it in")
	case begins("\xff\xd8\xff", "\x89PNG", "GIF8", "II*\x00", "MM\x00*") || len(head) > 12 && string(head[4:8]) == "ftyp" || begins("RIFF") && holds("WEBP"):
		return errors.New("this is a picture, not a list; ask for the list as CSV, or type it in")
	case begins("{\\rtf"):
		return errors.New("this is a word processor's file, not a list; copy its table into a spreadsheet, and save that as CSV")
	case bytes.HasPrefix(text, []byte("<!doctype")), bytes.HasPrefix(text, []byte("<html")), bytes.HasPrefix(text, []byte("<?xml")), bytes.HasPrefix(text, []byte("<table")):
		return errors.New("this is a page or another program's data, not a list; open it in a spreadsheet, and save the sheet as CSV")
	}
	return nil
}

// decode finds out how the bytes stand for letters.
func decode(data []byte) (text, encoding string, err error) {
	switch {
	case len(data) > mostBytes:
		return "", "", errors.New("the file is larger than 1 MB; save the sheet with the list alone as CSV")
	}
	if err := otherFile(data); err != nil {
		return "", "", err
	}
	if rest, ok := bytes.CutPrefix(data, []byte("\xef\xbb\xbf")); ok && utf8.Valid(rest) {
		return string(rest), "UTF-8 with a byte order mark", nil
	}
	wide := func(e unicode.Endianness, b unicode.BOMPolicy, name string) (string, string, error) {
		out, err := unicode.UTF16(e, b).NewDecoder().Bytes(data)
		if err != nil {
			return "", "", errors.New("the file begins as UTF-16 and is not; save it as UTF-8")
		}
		return string(out), name, nil
	}
	even, odd, unprintable := 0, 0, 0
	for i, c := range data {
		switch {
		case c == 0 && i%2 == 0:
			even++
		case c == 0:
			odd++
		case c < '\t' || c > '\r' && c < ' ':
			unprintable++
		}
	}
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		return wide(unicode.LittleEndian, unicode.UseBOM, "UTF-16")
	case odd*3 > len(data) && even == 0: // nearly every second byte, as in Western text
		return wide(unicode.LittleEndian, unicode.IgnoreBOM, "UTF-16 without a byte order mark")
	case even*3 > len(data) && odd == 0:
		return wide(unicode.BigEndian, unicode.IgnoreBOM, "UTF-16 without a byte order mark")
	case even+odd > 0, unprintable*20 > len(data): // a few may be slips (our choice)
		return "", "", errors.New("the file holds bytes of no text; save the list as CSV, UTF-8")
	case utf8.Valid(data):
		return string(data), "UTF-8", nil
	}
	out, err := charmap.Windows1252.NewDecoder().Bytes(data)
	return string(out), "Windows-1252", err
}

// field is one cell, with where it begins.
type field struct {
	text      string
	line, col int // the column counts characters
}

// record is one row of cells. A quoted cell may hold line breaks.
type record struct {
	from, to int // lines
	raw      string
	fields   []field
}

func (r record) text(i int) string {
	if i < len(r.fields) {
		return r.fields[i].text
	}
	return ""
}

// at is where cell i begins, or where the row ends if it has no such cell.
func (r record) at(i int) (line, col int) {
	if i < len(r.fields) {
		return r.fields[i].line, r.fields[i].col
	}
	return r.to, utf8.RuneCountInString(r.raw[strings.LastIndexByte(r.raw, '\n')+1:]) + 1
}

func (r record) blank() bool {
	for _, f := range r.fields {
		if f.text != "" {
			return false
		}
	}
	return true
}

// lineBreaks are written as one sign, whatever wrote the file.
func lineBreaks(text string) string {
	return strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text)
}

// records parts a text into rows and cells. It never fails: a quote that does
// not close is a letter like others, such as an inch mark.
func records(text string, sep rune) (all []record) {
	in := []rune(text)
	line, start := 1, 0 // where the line begins
	for i := 0; i < len(in); {
		r := record{from: line}
		begin := i
		for {
			for i < len(in) && in[i] == ' ' && sep != ' ' {
				i++
			}
			f := field{line: line, col: i - start + 1}
			if body, next, breaks, ok := quoted(in, i, sep); ok {
				f.text = body
				for k := i; k < next; k++ {
					if in[k] == '\n' {
						start = k + 1
					}
				}
				i, line = next, line+breaks
			} else {
				from := i
				for i < len(in) && in[i] != sep && in[i] != '\n' {
					i++
				}
				f.text = strings.TrimSpace(string(in[from:i]))
			}
			r.fields = append(r.fields, f)
			if i < len(in) && in[i] == sep {
				i++
				continue
			}
			break
		}
		r.to, r.raw = line, string(in[begin:i])
		all = append(all, r)
		if i < len(in) { // the line break
			i++
			line++
			start = i
		}
	}
	return all
}

// quoted reads a cell in quotes, and says where what follows it begins.
func quoted(in []rune, i int, sep rune) (body string, next, breaks int, ok bool) {
	if i >= len(in) || in[i] != '"' {
		return "", 0, 0, false
	}
	var b strings.Builder
	parted := false
	for k := i + 1; k < len(in) && k-i <= mostCell; k++ {
		switch {
		case in[k] == '\n':
			if breaks++; breaks > mostBreak {
				return "", 0, 0, false
			}
			b.WriteByte(' ')
		case in[k] == '"' && k+1 < len(in) && in[k+1] == '"':
			b.WriteByte('"')
			k++
		case in[k] == '"':
			end := k + 1
			for end < len(in) && in[end] == ' ' && sep != ' ' {
				end++
			}
			if end == len(in) || in[end] == sep || in[end] == '\n' {
				if breaks > 0 && parted { // a quote that nobody closed, rather than a cell with a whole row in it
					return "", 0, 0, false
				}
				return strings.TrimSpace(b.String()), end, breaks, true
			}
			b.WriteByte('"')
		default:
			parted = parted || in[k] == sep
			b.WriteRune(in[k])
		}
	}
	return "", 0, 0, false
}
