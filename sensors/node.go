package sensors

import (
	"cmp"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Node is one place in the site file, with its position, kept as source text
// so that each part (the site, a driver) reads its own settings and can say
// where a fault is. The zero Node stands for nothing given.
type Node struct {
	File         string
	Line, Column int // from 1; 0: not given
	Kind         NodeKind
	Text         string // of a scalar: the source text without quotes
	Fields       []Field
	Items        []Node
}

// NodeKind tells a scalar from a mapping and a list.
type NodeKind uint8

// The kinds of Node.
const (
	Nothing NodeKind = iota
	Scalar
	Mapping
	List
)

// Field is one key of a mapping and what stands under it.
type Field struct {
	Key   string
	Line  int
	Col   int
	Value Node
}

// Fault is one thing wrong with a configuration: where, what, and what would
// be right.
type Fault struct {
	File         string
	Line, Column int
	Problem      string // "unknown key \"limmit\""
	Want         string // "one of limit, lasts"
}

// Error prints FILE:LINE:COLUMN: what is wrong, what would be right.
func (f Fault) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Problem)
	if f.Want != "" {
		s += "; " + f.Want
	}
	return s
}

// Fault makes a fault at this node.
func (n Node) Fault(problem, want string) Fault {
	return Fault{n.File, n.Line, n.Column, problem, want}
}

// Decoder reads one mapping strictly: each key that is asked for is taken,
// what is left at Done is a fault. Faults gather; nothing stops at the first.
type Decoder struct {
	node   Node
	wrong  bool // the node is no mapping, which is told already
	known  []string
	faults *[]error
}

// Decode starts reading a mapping. A node that is something else is a fault,
// unless it is Nothing: then every key is absent.
func Decode(n Node, faults *[]error) *Decoder {
	wrong := n.Kind != Mapping && n.Kind != Nothing
	if wrong {
		*faults = append(*faults, n.Fault("this should be a mapping", "write {key: value, ...}"))
	}
	return &Decoder{node: n, wrong: wrong, faults: faults}
}

// Node returns what stands under key, or the zero Node.
func (d *Decoder) Node(key string) Node {
	n, _ := d.Given(key)
	return n
}

// Given is Node, and tells a key with nothing under it (true, and a node of
// kind Nothing with its place) from an absent one.
func (d *Decoder) Given(key string) (Node, bool) {
	if !slices.Contains(d.known, key) {
		d.known = append(d.known, key)
	}
	for _, f := range d.node.Fields {
		if f.Key == key {
			n := f.Value
			if n.Kind == Nothing {
				n.File, n.Line, n.Column = d.node.File, f.Line, f.Col
			}
			return n, true
		}
	}
	return Node{}, false
}

// scalar returns the single value under key. Where the key is absent, or where
// there is something else (a fault), ok is false.
func (d *Decoder) scalar(key string) (n Node, ok bool) {
	n, given := d.Given(key)
	switch {
	case !given:
		return n, false
	case n.Kind == Nothing:
		d.Fail(n, key+" is empty", "write a value, or delete the key")
		return n, false
	case n.Kind != Scalar:
		d.Fail(n, key+" should be a single value", "")
		return n, false
	}
	return n, true
}

// Fail records a fault at a node; where the node is nowhere, at the mapping.
func (d *Decoder) Fail(n Node, problem, want string) {
	if n.Line == 0 {
		n = d.node
	}
	*d.faults = append(*d.faults, n.Fault(problem, want))
}

// Text returns a scalar's text, or what is given as other where the key is absent.
func (d *Decoder) Text(key, other string) string {
	if n, ok := d.scalar(key); ok {
		return n.Text
	}
	return other
}

// Path is a file's name; a relative one counts from the site file's folder.
// Empty: not given.
func (d *Decoder) Path(key string) string {
	path := d.Text(key, "")
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(d.node.File), path)
}

// Required is Text for a key that must be given and not be empty; such is what
// may stand there.
func (d *Decoder) Required(key string, such ...string) string {
	if _, given := d.Given(key); !given {
		if d.wrong {
			return ""
		}
		d.Fail(Node{}, key+" is missing", "add "+key+": "+cmp.Or(strings.Join(such, " or "), "..."))
		return ""
	}
	n, ok := d.scalar(key)
	if ok && n.Text == "" {
		d.Fail(n, key+" is empty", "write a value")
	}
	return n.Text
}

// Texts reads a list of single values; one value alone is a list of one.
func (d *Decoder) Texts(key string) []string {
	n, given := d.Given(key)
	if given && n.Kind != List {
		if n, ok := d.scalar(key); ok {
			return []string{n.Text}
		}
		return nil
	}
	var ts []string
	for _, it := range n.Items {
		if it.Kind != Scalar || it.Text == "" {
			d.Fail(it, key+": each should be a single value", "write ["+key+" 1, "+key+" 2, ...]")
			continue
		}
		ts = append(ts, it.Text)
	}
	return ts
}

// Bool reads true or false.
func (d *Decoder) Bool(key string, other bool) bool {
	n, ok := d.scalar(key)
	switch {
	case !ok:
		return other
	case n.Text == "true":
		return true
	case n.Text == "false":
		return false
	}
	d.Fail(n, fmt.Sprintf("%s: %q is neither true nor false", key, n.Text), "write true or false")
	return other
}

// Whole reads a whole number between two bounds, written in plain digits.
func (d *Decoder) Whole(key string, other, low, high int) int {
	n, ok := d.scalar(key)
	if !ok {
		return other
	}
	v, err := strconv.Atoi(n.Text)
	if err != nil || v < low || v > high || strings.HasPrefix(n.Text, "+") {
		d.Fail(n, fmt.Sprintf("%s: %q is not a number that fits here", key, n.Text), fmt.Sprintf("write a whole number from %d to %d", low, high))
		return other
	}
	return v
}

// Time reads a time with its unit.
func (d *Decoder) Time(key string, other time.Duration) time.Duration {
	n, ok := d.scalar(key)
	if !ok {
		return other
	}
	t, err := ParseTime(n.Text)
	if err != nil {
		d.Fail(n, fmt.Sprintf("%s: %v", key, err), "")
		return other
	}
	return t
}

// OneOf reads a scalar that must be one of the words given.
func (d *Decoder) OneOf(key, other string, words ...string) string {
	n, ok := d.scalar(key)
	if !ok {
		return other
	}
	if slices.Contains(words, n.Text) {
		return n.Text
	}
	d.Fail(n, fmt.Sprintf("%s: %q is not known here", key, n.Text), Known(n.Text, words, "write one of "+strings.Join(words, ", ")))
	return other
}

// Done reports every key that nobody asked for.
func (d *Decoder) Done() {
	for _, f := range d.node.Fields {
		if !slices.Contains(d.known, f.Key) {
			*d.faults = append(*d.faults, Fault{d.node.File, f.Line, f.Col,
				fmt.Sprintf("unknown key %q", f.Key), Known(f.Key, d.known, "")})
		}
	}
}

// Known says what would be right in place of a word that is none of the known
// ones: the nearest where one is near, and what is known. Where that is
// nothing, it says what to do instead.
func Known(word string, known []string, instead string) string {
	const most = 24 // a site may have hundreds of points
	say := instead
	if say == "" && len(known) > 0 {
		say = "known here: " + strings.Join(known[:min(len(known), most)], ", ")
	}
	if near := nearest(word, known); near != "" {
		say = strings.TrimSuffix(fmt.Sprintf("did you mean %s? %s", near, say), " ")
	}
	return say
}

// nearest finds the known word that is one or two slips of the finger away,
// never so many that another word would do as well.
func nearest(word string, known []string) string {
	best, least := "", min(2, len(word)/2)+1
	for _, k := range known {
		if n := slips(strings.ToLower(word), k); n < least {
			best, least = k, n
		}
	}
	return best
}

// slips counts letters left out, put in, changed or exchanged with their
// neighbour (the restricted Damerau-Levenshtein distance); far-off words are
// not counted to the end.
func slips(a, b string) int {
	if len(a)-len(b) > 2 || len(b)-len(a) > 2 {
		return 3
	}
	before, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			differ := 1
			if a[i-1] == b[j-1] {
				differ = 0
			}
			row[j] = min(row[j-1]+1, last[j]+1, last[j-1]+differ)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last = last, row
	}
	return last[len(b)]
}
