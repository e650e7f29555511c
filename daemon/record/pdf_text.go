package record

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// fontSet is the fonts of one document, and what it lacks.
type fontSet struct {
	regular, bold *face
	system        []*face
	missing       []rune
	loose         []string // scripts that are printed letter by letter
	lack          map[rune]bool
	shown         map[string][]rune // a text is measured, broken and set: composed once
}

// newFontSet looks which characters a document has, and where the built-in
// fonts lack some, for fonts of this machine that have them.
func newFontSet(d Document, dirs []string) (*fontSet, error) {
	regular, bold, err := builtIn()
	if err != nil {
		return nil, err
	}
	fs := &fontSet{regular: regular, bold: bold, lack: map[rune]bool{}, shown: map[string][]rune{}}
	var wanted, all []rune
	seen := map[rune]bool{}
	want := func(rs []rune) {
		for _, r := range rs {
			if !seen[r] && !invisible(r) {
				seen[r] = true
				all = append(all, r)
				if regular.width(r) < 0 {
					wanted = append(wanted, r)
				}
			}
		}
	}
	everyText(d, func(text string) {
		rs := compose(text)
		want(rs)
		want(joinArabic(rs, func(rune) bool { return true }))
	})
	slices.Sort(wanted)
	fs.system = systemFaces(dirs, wanted)
	// Lines are set once more to find what is missing: a letter whose joined
	// form no font has may still stand alone.
	fs.loose = nil
	for _, r := range all {
		if fs.has(r) {
			if h := helpFor(r); slices.ContainsFunc(unshaped, func(u scriptHelp) bool { return u.name == h.name }) && !slices.Contains(fs.loose, h.name) {
				fs.loose = append(fs.loose, h.name)
			}
		}
	}
	everyText(d, func(text string) { fs.visible(text) })
	slices.Sort(fs.missing)
	slices.Sort(fs.loose)
	return fs, nil
}

// everyText shows each text of a document, in the order of the paper.
func everyText(d Document, show func(string)) {
	for _, s := range []string{d.Title, d.Subject, d.Foot} {
		show(s)
	}
	for _, b := range d.Blocks {
		switch b := b.(type) {
		case Heading:
			show(b.Text)
		case Paragraph:
			show(b.Text)
		case Facts:
			for _, f := range b {
				show(f.Label)
				show(f.Text)
			}
		case Table:
			show(b.Caption)
			for _, c := range b.Columns {
				show(c.Title)
			}
			for _, row := range b.Rows {
				for _, cell := range row {
					show(cell)
				}
			}
		case Curve:
			show(b.Describe)
			curveText(b, show)
		case Curves:
			show(b.Title)
			for _, c := range b.Each {
				curveText(c, show)
			}
			show(b.Note)
		case Picture:
			show(b.Caption)
		case Signature:
			show(b.Name)
			show(b.Role)
		}
	}
}

func curveText(c Curve, show func(string)) {
	show(c.Title)
	show(c.Unit)
	for _, l := range c.Lines {
		show(l.Name)
	}
	for _, l := range c.Bands {
		show(l.Name)
	}
	for _, l := range c.Limits {
		show(l.Label)
	}
	for _, t := range c.Ticks {
		show(t.Label)
	}
	for _, s := range c.Spans {
		show(s.Name)
	}
}

func (fs *fontSet) has(r rune) bool { return fs.faceOf(r, false) != nil }

// faceOf is the font that has a character: the built-in ones first.
func (fs *fontSet) faceOf(r rune, bold bool) *face {
	if bold && fs.bold.width(r) >= 0 {
		return fs.bold
	}
	if fs.regular.width(r) >= 0 {
		return fs.regular
	}
	for _, f := range fs.system {
		if f.width(r) >= 0 {
			return f
		}
	}
	return nil
}

func (fs *fontSet) width(r rune, bold bool) int {
	if f := fs.faceOf(r, bold); f != nil {
		return f.width(r)
	}
	return 0
}

// visible is text as it can be printed: a character that no font has stands
// there by its number, and is noted.
func (fs *fontSet) visible(text string) []rune {
	if rs, ok := fs.shown[text]; ok {
		return rs
	}
	var out []rune
	for _, r := range joinArabic(compose(text), fs.has) {
		switch {
		case r == '\u00a0' || r == '\u202f' || r == '\u2009' || unicode.Is(unicode.Zs, r):
			out = append(out, ' ') // our sentences need no other space on paper
		case fs.has(r):
			out = append(out, r)
		case invisible(r):
		default:
			if !fs.lack[r] {
				fs.lack[r] = true
				fs.missing = append(fs.missing, r)
			}
			out = append(out, []rune(fmt.Sprintf("[U+%04X]", r))...)
		}
	}
	fs.shown[text] = slices.Clip(out)
	return out
}

type textRun struct {
	face  *face
	runes []rune
	width int // thousandths of the size
}

// runs cuts a line where the font changes.
func (fs *fontSet) runs(rs []rune, bold bool) (runs []textRun) {
	for _, r := range rs {
		f := fs.faceOf(r, bold)
		if f == nil {
			continue
		}
		if len(runs) == 0 || runs[len(runs)-1].face != f {
			runs = append(runs, textRun{face: f})
		}
		last := &runs[len(runs)-1]
		last.runes = append(last.runes, r)
		last.width += f.width(r)
	}
	return runs
}

// notes are what the paper says about characters that it could not print as
// they should be.
func (fs *fontSet) notes() (blocks []Block) {
	if len(fs.missing) > 0 {
		var numbers, packs []string
		for _, r := range fs.missing {
			h := helpFor(r)
			numbers = append(numbers, fmt.Sprintf("U+%04X (%s)", r, h.name))
			if !slices.Contains(packs, h.pack) && r <= 0xffff {
				packs = append(packs, h.pack)
			}
		}
		const most = 60
		more := ""
		if n := len(numbers); n > most {
			numbers, more = numbers[:most], fmt.Sprintf(" and %d more", n-most)
		}
		text := fmt.Sprintf(notPrinted, strings.Join(numbers, ", ")+more)
		if len(packs) > 0 {
			text += fmt.Sprintf(notPrintedHelp, strings.Join(packs, ", "))
		}
		blocks = append(blocks, Paragraph{Tone: Small, Text: text})
	}
	if len(fs.loose) > 0 {
		blocks = append(blocks, Paragraph{Tone: Small, Text: fmt.Sprintf(printedLoose, strings.Join(fs.loose, ", "))})
	}
	return blocks
}

// Sentences of the notes.
const (
	notPrinted     = "Characters that could not be printed, because no font on the machine that made this paper has them; their numbers stand in brackets where they belong: %s."
	notPrintedHelp = " Fonts of the Debian packages %s have most such characters: install them on that machine and make the paper again. The record's web page shows them where the reader's machine has a font."
	printedLoose   = "Printed letter by letter, without the joined and moved forms that these scripts need: %s. The record's web page shows them as they should be."
)
