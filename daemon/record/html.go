package record

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"
)

//go:embed page.html
var pageText string

// HTML writes a document as one page that needs nothing beside itself: no
// script, no other file, no network. It is the form for who reads with a screen
// reader, and it prints.
func HTML(w io.Writer, d Document) error {
	page, err := template.New("page").Funcs(template.FuncMap{"shape": shapeOf, "word": stateWord}).Parse(pageText)
	if err != nil {
		return fmt.Errorf("the record's page: %w", err)
	}
	p := htmlPage{Document: d}
	if !d.Made.IsZero() { // else no clock told it
		p.Made = d.Made.Format("2006-01-02 15:04 MST")
	}
	share := pageBudget / max(1, d.pictures())
	for i, b := range d.Blocks {
		h := htmlBlockOf(b, i)
		if photo, ok := b.(Picture); ok {
			body, err := photo.Read()
			if err != nil {
				return fmt.Errorf("the record's page: %w", err)
			}
			if len(body) > share {
				if small, err := shrink(body, share); err == nil { // else it is torn, and stays as it is
					body = small
				}
			}
			h.Picture.Source = template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(body))
		}
		p.Blocks = append(p.Blocks, h)
		if h, ok := b.(Heading); ok && h.Level == 1 && h.ID != "" {
			p.Parts = append(p.Parts, h)
		}
	}
	var out bytes.Buffer // all of it or nothing
	if err := page.Execute(&out, p); err != nil {
		return fmt.Errorf("the record's page: %w", err)
	}
	_, err = w.Write(out.Bytes())
	return err
}

type htmlPage struct {
	Document
	Made   string
	Blocks []htmlBlock
	Parts  []Heading // where the list of contents leads
}

// htmlBlock is a block in the words of the template: one field is set.
type htmlBlock struct {
	Heading   *Heading
	Paragraph *Paragraph
	Facts     Facts
	Table     *htmlTable
	Curve     *htmlCurve
	Curves    *htmlCurves
	Picture   *htmlPicture
	Signature *htmlSignature
	Break     bool
}

// htmlTable is a table with the class of each cell.
type htmlTable struct {
	Caption, Label string
	Columns        []Column
	Rows           [][]htmlCell
}

type htmlCell struct {
	Text   string
	Number bool
	Head   bool // the row's own name
}

type htmlCurve struct {
	Title, Describe string
	Drawn           template.HTML
}

// htmlCurves are small curves with their one legend.
type htmlCurves struct {
	Title, Note string
	Legend      template.HTML
	Each        []htmlCurve
}

type htmlPicture struct {
	Source  template.URL
	Caption string
}

type htmlSignature struct {
	Name, Role, Signed string
	Path               string // of the hand's strokes, in a box of 100 by 100; empty: a name alone
}

// pageBudget is what all photos of a page may take, in bytes, before each is
// made smaller: a page is made in memory, several times over, on a board that
// has 512 MB for all that the box does. Twenty as large as a phone's are kept
// (daemon/web/photo.go) stay as they are (our choice).
const pageBudget = 8 << 20

func htmlBlockOf(b Block, i int) (h htmlBlock) {
	switch b := b.(type) {
	case Heading:
		if b.ID == "" {
			b.ID = fmt.Sprintf("part-%d", i)
		}
		b.Level = min(max(b.Level, 1), 3)
		h.Heading = &b
	case Paragraph:
		h.Paragraph = &b
	case Facts:
		h.Facts = b
	case Table:
		h.Table = htmlTableOf(b)
	case Curve:
		// The drawing is this package's own and escapes what it writes.
		h.Curve = &htmlCurve{b.Title, b.Describe, template.HTML(SVG(b, "curve"))}
	case Curves:
		h.Curves = &htmlCurves{Title: b.Title, Note: b.Note, Legend: template.HTML(svgLegend(b))}
		for _, c := range b.Each {
			h.Curves.Each = append(h.Curves.Each, htmlCurve{c.Title, "", template.HTML(svgBrief(c))})
		}
	case Picture:
		h.Picture = &htmlPicture{Caption: b.Caption}
	case Signature:
		s := htmlSignature{Name: b.Name, Role: b.Role, Path: strokePath(b.Strokes)}
		if !b.Signed.IsZero() {
			s.Signed = b.Signed.Format("2006-01-02 15:04 MST")
		}
		h.Signature = &s
	case Break:
		h.Break = true
	}
	return h
}

func htmlTableOf(t Table) *htmlTable {
	out := htmlTable{Caption: t.Caption, Label: t.Label, Columns: t.Columns}
	for _, row := range t.Rows {
		var cells []htmlCell
		for i, text := range row {
			number := i < len(t.Columns) && t.Columns[i].Number
			cells = append(cells, htmlCell{Text: text, Number: number, Head: i == 0 && !number})
		}
		out.Rows = append(out.Rows, cells)
	}
	return &out
}

// strokePath is a signature as the path of an SVG.
func strokePath(strokes [][]Dot) string {
	var b strings.Builder
	for _, stroke := range strokes {
		for i, d := range stroke {
			if i == 0 {
				b.WriteByte('M')
			} else {
				b.WriteByte('L')
			}
			b.WriteString(number(float64(d.X*100)) + " " + number(float64(d.Y*100)))
		}
		if len(stroke) == 1 { // a dot is seen where a line ends in its own place
			b.WriteString("l0 0")
		}
	}
	return b.String()
}

// shapeOf draws a state: its word always stands beside it.
func shapeOf(state string) template.HTML {
	const open, full = ` fill="none" stroke="currentColor" stroke-width="2"`, ` fill="currentColor"`
	var s strings.Builder
	s.WriteString(`<svg class="shape" viewBox="0 0 20 20" aria-hidden="true" focusable="false">`)
	for _, p := range shapes(state) {
		how := open
		if p.full {
			how = full
		}
		if len(p.points) == 0 {
			fmt.Fprintf(&s, `<circle cx="10" cy="10" r="%s"%s/>`, number(circleRadius), how)
			continue
		}
		s.WriteString(`<path d="`)
		for i, pt := range p.points {
			s.WriteString([]string{"L", "M"}[max(0, 1-i)] + number(pt[0]) + " " + number(pt[1]))
		}
		s.WriteString(`"` + how + `/>`)
	}
	s.WriteString(`</svg>`)
	return template.HTML(s.String())
}

// ISO is the moment as machines read it.
func (p htmlPage) ISO() string { return p.Document.Made.Format(time.RFC3339) }
