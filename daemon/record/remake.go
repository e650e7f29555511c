package record

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"path"
	"slices"
	"strings"

	"standwatch/daemon/journal"
	"standwatch/rules"
	"standwatch/sensors"
)

// Remade is what a bundle's record came to, made anew from the bundle's entries.
type Remade struct {
	Program string   `json:"program"`      // that made it anew
	Same    bool     `json:"same_program"` // it made the bundle too: then every byte must be equal
	Equal   []string `json:"equal_parts"`  // byte for byte
	Other   []string `json:"other_parts,omitempty"`
	// Drawn are those of Other that hold letters of the machine's own fonts: their
	// text is compared in record.html.
	Drawn []string `json:"drawn_with_other_fonts,omitempty"`

	FiguresEqual int      `json:"figures_equal"` // rows of record.csv
	FiguresOther int      `json:"figures_other"` // of the bundle's, that came out otherwise
	Examples     []string `json:"examples,omitempty"`
}

// mostExamples is how many figures that came out otherwise are told one by one.
const mostExamples = 5

// What a hostile bundle may at most make Remake hold: far more than a standwatch
// writes (our choice).
const (
	mostTable   = 64 << 20 // of record.csv
	mostPicture = 16 << 20
)

// Remake makes the record of an intact bundle anew, in a journal of its own in an
// empty folder, as program does it, and compares. Where the same program made
// the bundle, what differs is a fault; where another did, it judged otherwise or
// somebody wrote the papers by hand, and only the figures can tell.
func (v Verified) Remake(ctx context.Context, dir, program string) (out Remade, faults []Fault, err error) {
	defer func() { // the entries may be anybody's
		if p := recover(); p != nil {
			err = fmt.Errorf("a fault of the program: %v", p)
		}
	}()
	out = Remade{Program: program, Same: program == v.Manifest.Program, Equal: []string{}}
	j, err := journal.Open(ctx, dir, slog.New(slog.DiscardHandler))
	if err != nil {
		return out, nil, err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	if err := v.restore(ctx, j); err != nil {
		return out, nil, err
	}
	forms, err := v.reform(ctx, &j.Reader)
	if err != nil {
		return out, nil, err
	}
	made := map[string][]byte{}
	for _, p := range PartsOf(forms) {
		var b bytes.Buffer
		if err := p.Write(&b); err != nil {
			return out, nil, fmt.Errorf("%s: %w", p.Name, err)
		}
		made[p.Name] = b.Bytes()
		if v.is(p.Name, b.Bytes()) {
			out.Equal = append(out.Equal, p.Name)
		} else {
			out.Other = append(out.Other, p.Name)
		}
	}
	if err := out.figures(v, made["record.csv"]); err != nil {
		return out, nil, err
	}
	foreign, err := needsOtherFonts(made["record.html"])
	if err != nil {
		return out, nil, err
	}
	for _, name := range out.Other {
		switch {
		case foreign && name == "record.pdf":
			out.Drawn = append(out.Drawn, name)
		case out.Same:
			faults = append(faults, Fault{Part: name, Description: fmt.Sprintf("%s is not what the entries give: this same program makes another one of them.", name)})
		}
	}
	return out, faults, nil
}

// is reports whether a part is these bytes. The part itself was compared with its
// sum before, and may be larger than what a machine can hold.
func (v Verified) is(name string, b []byte) bool {
	return slices.ContainsFunc(v.Manifest.Parts, func(p partSum) bool {
		return p.Name == name && p.Size == int64(len(b)) && p.SHA256 == sha256.Sum256(b)
	})
}

func (v Verified) all(name string, most int64) ([]byte, error) {
	part, ok := v.Open(name)
	if !ok {
		return nil, fmt.Errorf("%s is not there, or the bundle is not intact", name)
	}
	b, err := io.ReadAll(io.LimitReader(part, most+1))
	if err == nil && int64(len(b)) > most {
		err = fmt.Errorf("%s is larger than %d bytes, which no standwatch writes", name, most)
	}
	return b, err
}

// reform makes the forms of the record by a journal that holds the bundle's
// entries, as they were when the bundle was made.
func (v Verified) reform(ctx context.Context, r *journal.Reader) ([]Form, error) {
	m := v.Manifest
	rec, err := Read(ctx, r, Which{System: m.System, Job: m.Job})
	if err != nil {
		return nil, err
	}
	_, anchors, err := marksTo(ctx, r, m.Entries)
	if err != nil {
		return nil, err
	}
	then := stood{entries: m.Entries, finding: math.MaxInt64, chain: journal.KeptTo(m.Late, m.Kept)}
	if rec.chained, err = then.chainedAt(ctx, r, anchors, rec.Entries); err != nil {
		return nil, err
	}
	return formsOf(ctx, r, rec, v.Fingerprint)
}

// restore fills an empty journal with what a bundle carries.
func (v Verified) restore(ctx context.Context, j *journal.Journal) error {
	if err := v.restoreEntries(j); err != nil {
		return fmt.Errorf("%s: %w", partEntries, err)
	}
	var found []rules.Finding
	keep := func() error {
		_, err := j.Find(found)
		found = found[:0]
		return err
	}
	err := v.eachLine(partFindings, func(line []byte) error {
		var f rules.Finding
		if err := json.Unmarshal(line, &f); err != nil {
			return err
		}
		if found = append(found, f); len(found) < 1000 {
			return nil
		}
		return keep()
	})
	if err = errors.Join(err, keep()); err != nil {
		return err
	}
	err = v.eachLine(partSite, func(line []byte) error {
		var s struct {
			From uint64
			Said json.RawMessage
		}
		if err := json.Unmarshal(line, &s); err != nil {
			return err
		}
		return j.Shelf(siteShelf).Put(fmt.Sprintf("%020d", s.From), s.Said)
	})
	if err != nil {
		return err
	}
	if err := v.restoreEarlier(j); err != nil {
		return err
	}
	for _, p := range v.Manifest.Parts {
		if path.Dir(p.Name)+"/" != photoFolder {
			continue
		}
		picture, err := v.all(p.Name, mostPicture)
		if err != nil {
			return err
		}
		if _, err := j.KeepPhoto(picture); err != nil {
			return err
		}
	}
	return ctx.Err()
}

func (v Verified) eachLine(name string, f func([]byte) error) error {
	part, ok := v.Open(name)
	if !ok {
		return fmt.Errorf("%s is not there, or the bundle is not intact", name)
	}
	in := bufio.NewReaderSize(part, 1<<16)
	for n := 1; ; n++ {
		line, err := readLine(in)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			err = f(line)
		}
		if err != nil {
			return fmt.Errorf("%s, line %d: %w", name, n, err)
		}
	}
}

// restoreEntries appends the entries, some thousand at a time. A point whose
// quantity changed is told to the journal between.
func (v Verified) restoreEntries(j *journal.Journal) error {
	const most = 8192
	var held []rules.Entry
	flush := func() error {
		err := j.Append(held, nil)
		held = held[:0]
		return err
	}
	var known []sensors.Point
	err := v.eachLine(partEntries, func(line []byte) error {
		l, err := journal.ReadLine(line)
		if err != nil {
			return err
		}
		if m, ok := l.Body.(*rules.Measured); ok {
			i := slices.IndexFunc(known, func(p sensors.Point) bool { return p.Name == m.Point })
			if i < 0 || known[i].Quantity != l.Quantity {
				if err := flush(); err != nil {
					return err
				}
				if i < 0 {
					known = append(known, sensors.Point{Name: m.Point})
					i = len(known) - 1
				}
				known[i].Quantity = l.Quantity
				if err := j.Points(known); err != nil {
					return err
				}
			}
		}
		if held = append(held, l.Entry); len(held) < most {
			return nil
		}
		return flush()
	})
	return errors.Join(err, flush())
}

// figures compares the rows of the record's CSV.
func (r *Remade) figures(v Verified, made []byte) error {
	was, err := v.all("record.csv", mostTable)
	if err != nil {
		return err
	}
	rows := func(b []byte) (out []string, err error) {
		in := csv.NewReader(bytes.NewReader(b))
		in.FieldsPerRecord = -1
		all, err := in.ReadAll()
		for _, row := range all {
			out = append(out, strings.Join(row, " | "))
		}
		return out, err
	}
	now, err := rows(made)
	if err != nil {
		return err
	}
	then, err := rows(was)
	if err != nil {
		return fmt.Errorf("record.csv in the bundle cannot be read: %w", err)
	}
	left := map[string]int{}
	for _, row := range now {
		left[row]++
	}
	for _, row := range then {
		if left[row] > 0 {
			left[row]--
			r.FiguresEqual++
			continue
		}
		if r.FiguresOther++; len(r.Examples) < mostExamples {
			r.Examples = append(r.Examples, row)
		}
	}
	return nil
}

// needsOtherFonts reports whether a paper has letters that the built-in fonts lack.
func needsOtherFonts(text []byte) (bool, error) {
	regular, _, err := builtIn()
	if err != nil {
		return false, err
	}
	for _, r := range string(text) {
		if r > '~' && regular.width(r) < 0 {
			return true, nil
		}
	}
	return false, nil
}
