package sensors

import (
	"fmt"
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
	taken  map[string]bool
	known  []string
	faults *[]error
}

// Decode starts reading a mapping. A node that is something else is a fault,
// unless it is Nothing: then every key is absent.
func Decode(n Node, faults *[]error) *Decoder {
	if n.Kind != Mapping && n.Kind != Nothing {
		*faults = append(*faults, n.Fault("this should be a mapping", "write {key: value, ...}"))
	}
	return &Decoder{node: n, taken: map[string]bool{}, faults: faults}
}

// Node returns what stands under key, or the zero Node.
func (d *Decoder) Node(key string) Node {
	d.taken[key] = true
	d.known = append(d.known, key)
	for _, f := range d.node.Fields {
		if f.Key == key {
			return f.Value
		}
	}
	return Node{}
}

// Fail records a fault at a node; where the node is Nothing, at the mapping.
func (d *Decoder) Fail(n Node, problem, want string) {
	if n.Kind == Nothing {
		n = d.node
	}
	*d.faults = append(*d.faults, n.Fault(problem, want))
}

// Text returns a scalar's text, or what is given as other where the key is absent.
func (d *Decoder) Text(key, other string) string {
	n := d.Node(key)
	switch n.Kind {
	case Nothing:
		return other
	case Scalar:
		return n.Text
	}
	d.Fail(n, fmt.Sprintf("%s should be a single value", key), "")
	return other
}

// Required is Text for a key that must be given and not be empty.
func (d *Decoder) Required(key string) string {
	n := d.Node(key)
	if n.Kind == Scalar && n.Text != "" {
		return n.Text
	}
	d.Fail(n, fmt.Sprintf("%s is missing", key), fmt.Sprintf("add %s: ...", key))
	return ""
}

// Bool reads true or false.
func (d *Decoder) Bool(key string, other bool) bool {
	n := d.Node(key)
	switch {
	case n.Kind == Nothing:
		return other
	case n.Kind == Scalar && n.Text == "true":
		return true
	case n.Kind == Scalar && n.Text == "false":
		return false
	}
	d.Fail(n, fmt.Sprintf("%s: %q is neither true nor false", key, n.Text), "write true or false")
	return other
}

// Time reads a time with its unit.
func (d *Decoder) Time(key string, other time.Duration) time.Duration {
	n := d.Node(key)
	if n.Kind == Nothing {
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
	n := d.Node(key)
	if n.Kind == Nothing {
		return other
	}
	for _, w := range words {
		if n.Kind == Scalar && n.Text == w {
			return w
		}
	}
	d.Fail(n, fmt.Sprintf("%s: %q is not known here", key, n.Text), "write one of "+join(words))
	return other
}

// Done reports every key that nobody asked for.
func (d *Decoder) Done() {
	for _, f := range d.node.Fields {
		if !d.taken[f.Key] {
			*d.faults = append(*d.faults, Fault{d.node.File, f.Line, f.Col,
				fmt.Sprintf("unknown key %q", f.Key), "known here: " + join(d.known)})
		}
	}
}

func join(words []string) string {
	s := ""
	for i, w := range words {
		if i > 0 {
			s += ", "
		}
		s += w
	}
	return s
}
