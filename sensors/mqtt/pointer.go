package mqtt

import (
	"encoding/json"
	"fmt"
	"strings"
)

// pointer is a JSON Pointer (RFC 6901), its tokens already unescaped. The nil
// pointer means that none was given; the empty one means the whole document.
type pointer []string

// parsePointer reads "/a/b~1c/0".
func parsePointer(s string) (pointer, error) {
	p := pointer{}
	if s == "" {
		return p, nil
	}
	if s[0] != '/' {
		return nil, fmt.Errorf("%q is not a JSON Pointer: it starts with a slash, as in /temperature or /readings/0/value (RFC 6901)", s)
	}
	for _, t := range strings.Split(s[1:], "/") {
		for i := 0; i < len(t); i++ {
			if t[i] == '~' && (i+1 == len(t) || t[i+1] != '0' && t[i+1] != '1') {
				return nil, fmt.Errorf("%q is not a JSON Pointer: ~ is written ~0 and / within a name ~1 (RFC 6901)", s)
			}
		}
		// In this order, so that ~01 becomes ~1 and not a slash.
		p = append(p, strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~"))
	}
	return p, nil
}

// find returns the source text of the value that the pointer names in a
// document that validJSON has accepted; nil where there is none. Of members of the
// same name the last one counts, as in encoding/json.
func (p pointer) find(doc []byte) []byte {
	i := skipSpace(doc, 0)
	for _, token := range p {
		switch doc[i] {
		case '{':
			i = member(doc, i, token)
		case '[':
			i = element(doc, i, token)
		default:
			return nil
		}
		if i < 0 {
			return nil
		}
	}
	return doc[i:scanValue(doc, i, 0)]
}

// member returns where the value of the named member of the object at i starts, or -1.
func member(doc []byte, i int, name string) int {
	found := -1
	each(doc, i, func(key []byte, from, _ int) {
		if sameString(key, name) {
			found = from
		}
	})
	return found
}

// each walks the members of the object, or the elements (with a nil key) of
// the array, that starts at i of a valid document.
func each(doc []byte, i int, visit func(key []byte, from, to int)) {
	object := doc[i] == '{'
	i = skipSpace(doc, i+1)
	for doc[i] != '}' && doc[i] != ']' {
		var key []byte
		if object {
			end := scanString(doc, i)
			key = doc[i:end]
			i = skipSpace(doc, skipSpace(doc, end)+1)
		}
		end := scanValue(doc, i, 0)
		visit(key, i, end)
		if i = skipSpace(doc, end); doc[i] == ',' {
			i = skipSpace(doc, i+1)
		}
	}
}

// element returns where the array element with the given index starts, or -1.
func element(doc []byte, i int, index string) int {
	n, ok := arrayIndex(index)
	found := -1
	if !ok {
		return found
	}
	each(doc, i, func(_ []byte, from, _ int) {
		if n == 0 {
			found = from
		}
		n--
	})
	return found
}

// arrayIndex reads digits without leading zeros (RFC 6901, section 4).
func arrayIndex(s string) (int, bool) {
	if s == "" || len(s) > 5 || s[0] == '0' && len(s) > 1 {
		return 0, false // no payload that is accepted holds 100,000 elements
	}
	n := 0
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = 10*n + int(s[i]-'0')
	}
	return n, true
}

// sameString compares a JSON string, with its quotes, to what it should say.
func sameString(raw []byte, want string) bool {
	inner := raw[1 : len(raw)-1]
	for _, c := range inner {
		if c == '\\' || c >= 0x80 {
			return text(raw) == want
		}
	}
	return string(inner) == want
}

// text decodes a valid JSON string.
func text(raw []byte) string {
	inner := raw[1 : len(raw)-1]
	for _, c := range inner {
		if c == '\\' || c >= 0x80 {
			var s string
			if json.Unmarshal(raw, &s) != nil {
				return ""
			}
			return s
		}
	}
	return string(inner)
}

// validJSON reports whether b is one JSON document (RFC 8259). Written out
// because encoding/json costs more than everything else done to a message:
// a fuzz test holds the two to the same answers.
func validJSON(b []byte) bool {
	end := scanValue(b, skipSpace(b, 0), 0)
	return end >= 0 && skipSpace(b, end) == len(b)
}

func skipSpace(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\n' || b[i] == '\t' || b[i] == '\r') {
		i++
	}
	return i
}

const deepest = 10000 // nested values; the limit of encoding/json

// scanValue returns the end of the value at i, or -1.
func scanValue(b []byte, i, depth int) int {
	if i >= len(b) || depth > deepest {
		return -1
	}
	switch b[i] {
	case '"':
		return scanString(b, i)
	case '{', '[':
		return scanComposite(b, i, depth+1)
	case 't':
		return scanWord(b, i, "true")
	case 'f':
		return scanWord(b, i, "false")
	case 'n':
		return scanWord(b, i, "null")
	}
	return scanNumber(b, i)
}

func scanComposite(b []byte, i, depth int) int {
	object, closer := b[i] == '{', byte(']')
	if object {
		closer = '}'
	}
	if depth > deepest {
		return -1
	}
	i = skipSpace(b, i+1)
	if i < len(b) && b[i] == closer {
		return i + 1
	}
	for i < len(b) {
		if object {
			if b[i] != '"' {
				return -1
			}
			if i = scanString(b, i); i < 0 {
				return -1
			}
			if i = skipSpace(b, i); i >= len(b) || b[i] != ':' {
				return -1
			}
			i = skipSpace(b, i+1)
		}
		if i = scanValue(b, i, depth); i < 0 {
			return -1
		}
		if i = skipSpace(b, i); i >= len(b) {
			return -1
		}
		if b[i] == closer {
			return i + 1
		}
		if b[i] != ',' {
			return -1
		}
		i = skipSpace(b, i+1)
	}
	return -1
}

func scanString(b []byte, i int) int {
	for i++; i < len(b); i++ {
		switch c := b[i]; {
		case c == '"':
			return i + 1
		case c < 0x20:
			return -1
		case c == '\\':
			if i++; i >= len(b) {
				return -1
			}
			switch b[i] {
			case '"', '\\', '/', 'b', 'f', 'n', 'r', 't':
			case 'u':
				for n := 0; n < 4; n++ {
					if i++; i >= len(b) || !hex(b[i]) {
						return -1
					}
				}
			default:
				return -1
			}
		}
	}
	return -1
}

func hex(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F'
}

func scanWord(b []byte, i int, word string) int {
	if len(b)-i >= len(word) && string(b[i:i+len(word)]) == word {
		return i + len(word)
	}
	return -1
}

// scanNumber reads -?(0|[1-9][0-9]*)(.[0-9]+)?([eE][+-]?[0-9]+)?
func scanNumber(b []byte, i int) int {
	if i < len(b) && b[i] == '-' {
		i++
	}
	whole := scanDigits(b, i)
	if whole == i || whole > i+1 && b[i] == '0' {
		return -1
	}
	i = whole
	if i < len(b) && b[i] == '.' {
		end := scanDigits(b, i+1)
		if end == i+1 {
			return -1
		}
		i = end
	}
	if i < len(b) && (b[i] == 'e' || b[i] == 'E') {
		i++
		if i < len(b) && (b[i] == '+' || b[i] == '-') {
			i++
		}
		end := scanDigits(b, i)
		if end == i {
			return -1
		}
		i = end
	}
	return i
}

func scanDigits(b []byte, i int) int {
	for i < len(b) && b[i] >= '0' && b[i] <= '9' {
		i++
	}
	return i
}
