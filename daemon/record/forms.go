package record

import (
	"context"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"

	"standwatch/daemon/journal"
)

// Form is one way in which a job's record is put down.
type Form struct {
	Kind  string // its name on a page and in a command
	File  string
	Media string
	Write func(io.Writer) error
	apart bool // the same as another on other paper: not in a bundle
}

// Kinds are those of all forms, in their order.
var Kinds = []string{"pdf-a4", "pdf-letter", "html", "csv", "json", "label-a6", "label-a5", "label-text"}

// Forms are all forms of a job's record, from one reading of the journal.
func Forms(ctx context.Context, r *journal.Reader, w Which, key Key) (Record, []Form, error) {
	rec, err := Read(ctx, r, w)
	if err != nil {
		return rec, nil, err
	}
	forms, err := formsOf(ctx, r, rec, key.Fingerprint())
	return rec, forms, err
}

func formsOf(ctx context.Context, r *journal.Reader, rec Record, key string) ([]Form, error) {
	label := func(p LabelPaper) func(io.Writer) error {
		return func(out io.Writer) error { return Label(out, rec, key, p) }
	}
	const pdf = "application/pdf"
	d, err := Proved(ctx, r, key, rec)
	if err != nil {
		return nil, err
	}
	return []Form{
		{"pdf-a4", "record.pdf", pdf, func(out io.Writer) error { return PDF(out, d, A4) }, false},
		{"pdf-letter", "record-letter.pdf", pdf, func(out io.Writer) error { return PDF(out, d, Letter) }, true},
		{"html", "record.html", "text/html; charset=utf-8", func(out io.Writer) error { return HTML(out, d) }, false},
		{"csv", "record.csv", "text/csv; charset=utf-8", func(out io.Writer) error { return CSV(out, rec) }, false},
		{"json", "record.json", "application/json", func(out io.Writer) error { return JSON(out, rec) }, false},
		{"label-a6", "label.pdf", pdf, label(A6), false},
		{"label-a5", "label-a5.pdf", pdf, label(A5), true},
		{"label-text", "label.txt", "text/plain; charset=utf-8", func(out io.Writer) error {
			_, err := io.WriteString(out, LabelText(rec, key))
			return err
		}, false},
	}, nil
}

// Proved is a record laid as a paper, with what proves it at its end. key is the
// fingerprint under which the box signs; empty: none.
func Proved(ctx context.Context, r *journal.Reader, key string, rec Record) (Document, error) {
	d := Lay(rec)
	proof, err := prove(ctx, r, key, rec)
	if err != nil {
		return d, err
	}
	d.Blocks = append(d.Blocks, proof.Lay()...)
	return d, nil
}

// PartsOf are the forms as parts of a bundle.
func PartsOf(forms []Form) (parts []Part) {
	for _, f := range forms {
		if !f.apart {
			parts = append(parts, Part{f.File, f.Write})
		}
	}
	return parts
}

// mostOfName is how many bytes of a file's name a site or a system may take: a
// name has 255 on most disks, and the form's own is what tells two files apart
// (our choice).
const mostOfName = 45

func shortened(name string) string {
	for len(name) > mostOfName {
		_, n := utf8.DecodeLastRuneInString(name)
		name = name[:len(name)-n]
	}
	return name
}

// FileName is what a form of a record is called among other files: site, system
// and job before the form's own name.
func (r Record) FileName(form string) string {
	parts := []string{shortened(r.Site), shortened(r.System.Name)}
	if r.Job.Of > 1 {
		parts = append(parts, fmt.Sprint("job ", r.Job.Number))
	}
	name := strings.Map(func(c rune) rune {
		if unicode.IsLetter(c) || unicode.IsMark(c) || unicode.IsDigit(c) || c == '.' {
			return unicode.ToLower(c)
		}
		return '-'
	}, strings.Join(append(parts, form), " "))
	for strings.Contains(name, "--") {
		name = strings.ReplaceAll(name, "--", "-")
	}
	return strings.TrimLeft(name, "-.")
}
