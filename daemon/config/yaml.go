package config

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"standwatch/sensors"
)

// A site file is written by a person: a tenth of these limits is plenty, and
// beyond them the parser could be made to work for minutes.
const (
	largest   = 1 << 20 // bytes
	deepest   = 32      // levels of nesting
	mostWords = 100_000 // keys, values and signs: a point has about twenty
	mostBad   = 100     // refused parts of YAML, before the rest is left unread
)

// parseYAML reads a site file's text into nodes with positions. Scalars stay
// as they are written: nothing becomes a number, a date or a truth value here.
// broken says that part of the text could not be read and is missing from the
// node: then what is absent must not be called missing.
func parseYAML(file, text string) (root sensors.Node, broken bool, faults []error) {
	root = sensors.Node{File: file, Line: 1, Column: 1}
	text = strings.TrimPrefix(text, "\ufeff")
	if f := unreadable(file, text); f != nil {
		return root, true, []error{f}
	}
	root, faults, ok := parseBlock(file, text, 0)
	if ok {
		return root, false, faults
	}
	// Somewhere the text is not YAML. What stands under the other keys of the
	// outermost level can still be checked, so read each of them by itself.
	root = sensors.Node{File: file, Line: 1, Column: 1}
	seen := map[string]bool{}
	for _, f := range faults {
		seen[f.Error()] = true
	}
	for _, b := range blocks(text) {
		part, fs, ok := parseBlock(file, b.text, b.line)
		for _, f := range fs {
			if !seen[f.Error()] {
				seen[f.Error()] = true
				faults = append(faults, f)
			}
		}
		if ok && part.Kind == sensors.Mapping {
			root.Kind = sensors.Mapping
			root.Fields = append(root.Fields, part.Fields...)
		}
	}
	return root, true, faults
}

// unreadable finds what no YAML parser should be given.
func unreadable(file, text string) error {
	at := func(line, col int, problem, want string) error {
		return sensors.Fault{File: file, Line: line, Column: col, Problem: problem, Want: want}
	}
	if len(text) > largest {
		return at(1, 1, fmt.Sprintf("the file has %d bytes", len(text)), fmt.Sprintf("a site file has at most %d", largest))
	}
	line, col := 1, 1
	for i := 0; i < len(text); {
		r, n := utf8.DecodeRuneInString(text[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			return at(line, col, fmt.Sprintf("the byte 0x%02X is not UTF-8 text", text[i]), "save the file as UTF-8")
		case r != '\n' && r != '\r' && r != '\t' && unicode.IsControl(r), r == '\ufeff':
			return at(line, col, fmt.Sprintf("the character %U cannot stand in a site file", r), "delete it")
		}
		if i += n; r == '\n' {
			line, col = line+1, 1
		} else {
			col++
		}
	}
	return nil
}

type block struct {
	line int // lines before it
	text string
}

// blocks cuts a text where a line begins a new key of the outermost level.
func blocks(text string) []block {
	const most = 64 // a site file has about ten
	var bs []block
	begin, at, first := 0, 0, 0
	for i, line := range strings.SplitAfter(text, "\n") {
		starts := line != "" && !strings.ContainsRune(" \t\r\n#-]}?,\"'", rune(line[0])) && strings.Contains(line, ":")
		if starts && at > begin && len(bs) < most {
			bs = append(bs, block{first, text[begin:at]})
			begin, first = at, i
		}
		at += len(line)
	}
	return append(bs, block{first, text[begin:]})
}

// parseBlock reads one text that stands after so many lines of its file.
func parseBlock(file, text string, before int) (root sensors.Node, faults []error, ok bool) {
	w := walker{file: file, before: before}
	defer func() {
		// The parser is not ours; should it trip over some text, that text is
		// at fault and the box must not stop.
		if r := recover(); r != nil {
			w.fault(nil, "this text cannot be read as YAML", "write it in simpler words of YAML")
			root, faults, ok = sensors.Node{File: file}, w.faults, false
		}
	}()
	tokens := lexer.Tokenize(text)
	if !w.admit(tokens) {
		return root, w.faults, false
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		w.syntax(err)
		return root, w.faults, false
	}
	root = sensors.Node{File: file, Line: before + 1, Column: 1}
	seen := false
	for _, doc := range f.Docs {
		if _, directive := doc.Body.(*ast.DirectiveNode); directive {
			continue // its fault is told already
		}
		if seen {
			w.fault(doc.Start, "a second document begins here", "a site file is one document: delete the ---")
			break
		}
		seen = true
		if doc.Body != nil {
			root = w.node(doc.Body)
		}
	}
	return root, w.faults, true
}

type walker struct {
	file   string
	before int
	faults []error
}

func (w *walker) fault(t *token.Token, problem, want string) {
	f := sensors.Fault{File: w.file, Line: w.before + 1, Column: 1, Problem: problem, Want: want}
	if t != nil && t.Position != nil {
		f.Line, f.Column = w.before+max(t.Position.Line, 1), max(t.Position.Column, 1)
	}
	w.faults = append(w.faults, f)
}

func (w *walker) syntax(err error) {
	var e yaml.Error
	if !errors.As(err, &e) {
		w.fault(nil, err.Error(), "")
		return
	}
	w.fault(e.GetToken(), e.GetMessage(), "look at the indentation, quotes and brackets here and just above")
}

// admit refuses, with their places, the parts of YAML that let a file say
// something other than it shows, and nesting that no site needs.
func (w *walker) admit(tokens token.Tokens) bool {
	if len(tokens) > mostWords {
		w.fault(tokens[mostWords], fmt.Sprintf("the file is too long to be a site file: %d words and signs up to here", mostWords), "describe one site")
		return false
	}
	flow, entries, line := 0, 0, 0
	var indents []int
	for _, t := range tokens {
		switch t.Type {
		case token.AnchorType:
			w.fault(t, "anchors (&) are not allowed", "write the value where it is used")
		case token.AliasType:
			w.fault(t, "aliases (*) are not allowed", "write the value again; quote text that begins with *")
		case token.TagType:
			w.fault(t, "tags (!) are not allowed", "write the plain value; quote text that begins with !")
		case token.MergeKeyType:
			w.fault(t, "merge keys (<<) are not allowed", "write the keys out")
		case token.MappingKeyType:
			w.fault(t, "keys after a ? are not allowed", "write key: value")
		case token.DirectiveType:
			w.fault(t, "directives (%) are not allowed", "delete the line; quote text that begins with %")
		case token.MappingStartType, token.SequenceStartType:
			flow++
		case token.MappingEndType, token.SequenceEndType:
			flow--
		}
		if t.Position.Line != line {
			line, entries = t.Position.Line, 0
			for len(indents) > 0 && indents[len(indents)-1] >= t.Position.Column {
				indents = indents[:len(indents)-1]
			}
			indents = append(indents, t.Position.Column)
		}
		if t.Type == token.SequenceEntryType {
			entries++
		}
		if len(w.faults) > mostBad {
			return false
		}
		if flow+entries+len(indents) > deepest {
			w.fault(t, fmt.Sprintf("nested more than %d deep", deepest), "no part of a site file is")
			return false
		}
	}
	return true
}

// node turns a syntax tree into nodes.
func (w *walker) node(n ast.Node) sensors.Node {
	out := sensors.Node{File: w.file}
	if n == nil {
		return out
	}
	out.Line, out.Column = w.place(n.GetToken())
	switch n := n.(type) {
	case *ast.MappingNode:
		w.mapping(&out, n.Values)
		if n.IsFlowStyle {
			out.Line, out.Column = w.place(n.Start)
		}
	case *ast.MappingValueNode:
		w.mapping(&out, []*ast.MappingValueNode{n})
	case *ast.SequenceNode:
		out.Kind = sensors.List
		for _, v := range n.Values {
			out.Items = append(out.Items, w.node(v))
		}
	case *ast.AnchorNode:
		return w.node(n.Value)
	case *ast.TagNode:
		return w.node(n.Value)
	case *ast.LiteralNode:
		out.Kind, out.Text = sensors.Scalar, n.Value.Value
	case *ast.NullNode:
		if n.Token.Type != token.ImplicitNullType {
			out.Kind, out.Text = sensors.Scalar, n.Token.Value
		}
	case ast.ScalarNode:
		if _, alias := n.(*ast.AliasNode); !alias { // its fault is told already
			out.Kind, out.Text = sensors.Scalar, n.GetToken().Value
		}
	}
	return out
}

func (w *walker) place(t *token.Token) (line, col int) {
	if t == nil || t.Position == nil {
		return w.before + 1, 1
	}
	return w.before + max(t.Position.Line, 1), max(t.Position.Column, 1)
}

func (w *walker) mapping(out *sensors.Node, values []*ast.MappingValueNode) {
	out.Kind = sensors.Mapping
	at := map[string]int{}
	for i, v := range values {
		k := v.Key.GetToken()
		line, col := w.place(k)
		if i == 0 {
			out.Line, out.Column = line, col
		}
		if k == nil || k.Type == token.MergeKeyType || k.Type == token.MappingKeyType {
			continue // its fault is told already
		}
		if first, twice := at[k.Value]; twice {
			w.fault(k, fmt.Sprintf("the key %q stands here a second time", k.Value), fmt.Sprintf("it was given in line %d: keep one", first))
			continue
		}
		at[k.Value] = line
		out.Fields = append(out.Fields, sensors.Field{Key: k.Value, Line: line, Col: col, Value: w.node(v.Value)})
	}
}

// Document reads any strict YAML document of this program into nodes with
// positions; the owner of the file makes sense of them. Where a part cannot be
// read there is only its fault: what else is missing is not known.
func Document(file string) (sensors.Node, []error) {
	text, err := readFile(file)
	if err != nil {
		return sensors.Node{}, []error{sensors.Fault{File: file, Line: 1, Column: 1, Problem: err.Error(), Want: "give a file that can be read"}}
	}
	root, broken, faults := parseYAML(file, text)
	if broken {
		return sensors.Node{}, Faults(errors.Join(faults...))
	}
	return root, faults
}
