package config

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"unicode/utf8"

	"standwatch/rules"
	"standwatch/sensors"
)

// CheckFiles looks at the files that the site file names: the take-offs must be
// there and readable as such. Load takes what it can of them without a word, so that a night can be replayed where they are not.
func (s *Site) CheckFiles() []error {
	var faults []error
	for _, e := range s.Equipment {
		if e.Takeoff == "" {
			continue
		}
		f, err := os.Open(e.Takeoff)
		if err != nil {
			faults = append(faults, e.takeoff.Fault(fmt.Sprintf("takeoff: %v", err), "name a CSV file beside this one, or delete the key"))
			continue
		}
		_, fs := ReadTakeoff(f, e.Takeoff)
		_ = f.Close() // it was only read
		faults = append(faults, fs...)
	}
	return faults
}

// readPipes takes the pipework's volume from each take-off that is there and in
// order; CheckFiles says of the others what is wrong.
func (s *Site) readPipes() {
	for i, e := range s.Equipment {
		if e.Takeoff == "" || i >= len(s.Systems) {
			continue
		}
		f, err := os.Open(e.Takeoff)
		if err != nil {
			continue
		}
		runs, faults := ReadTakeoff(f, e.Takeoff)
		_ = f.Close() // it was only read
		if len(faults) > 0 {
			continue
		}
		if sum, err := s.Systems[i].Pipework(runs).Sum(); err == nil {
			s.Systems[i].Runs, s.Systems[i].PipeM3 = runs, sum.TotalM3
		}
	}
}

// ReadTakeoff reads a take-off CSV: run,line,outside_diameter,length and
// perhaps wall and factor (kg/m or lb/ft).
func ReadTakeoff(in io.Reader, file string) ([]rules.Run, []error) {
	r := takeoff{file: file, csv: csv.NewReader(in)}
	header, err := r.read()
	if err != nil {
		return nil, []error{r.broken(err)}
	}
	r.columns = map[string]int{}
	if !slices.ContainsFunc(header, func(h string) bool { return slices.Contains(rules.RunColumns, strings.TrimPrefix(h, "\ufeff")) }) {
		r.fault(0, "the first line names no column of a take-off; it is to be "+strings.Join(rules.RunColumns[:rules.RunNeeds], ","), r.asSent())
		return nil, r.faults
	}
	for i, h := range header {
		h = strings.TrimPrefix(h, "\ufeff")
		if !slices.Contains(rules.RunColumns, h) {
			r.fault(i, fmt.Sprintf("there is no column %q", h), sensors.Known(h, rules.RunColumns, ""))
		}
		if _, twice := r.columns[h]; twice {
			r.fault(i, fmt.Sprintf("the column %q stands there twice", h), "keep one: nobody knows which of the two counts")
		}
		r.columns[h] = i
	}
	for _, h := range rules.RunColumns[:rules.RunNeeds] {
		if _, ok := r.columns[h]; !ok {
			r.fault(0, "the column "+h+" is missing", "the first line is "+strings.Join(rules.RunColumns[:rules.RunNeeds], ",")+" and perhaps ,wall,factor")
		}
	}
	if len(r.faults) > 0 {
		return nil, r.faults
	}
	var runs []rules.Run
	for {
		rec, err := r.read()
		if err == io.EOF {
			return runs, fewAlike(r.faults)
		}
		if err != nil {
			r.faults = append(r.faults, r.broken(err))
			if !errors.Is(err, csv.ErrFieldCount) {
				return runs, fewAlike(r.faults)
			}
			continue
		}
		runs = append(runs, r.run(rec))
	}
}

// fewAlike keeps three of the faults that say the same; the third says in how
// many more lines it is so. A slip made in every row is one slip.
func fewAlike(faults []error) (few []error) {
	const most = 3
	type same struct{ problem, want string }
	count := map[same]int{}
	third := map[same]int{} // its place among the few
	last := map[same]int{}
	for _, err := range faults {
		var f sensors.Fault
		if !errors.As(err, &f) {
			few = append(few, err)
			continue
		}
		key := same{f.Problem, f.Want}
		count[key]++
		last[key] = f.Line
		if count[key] > most {
			continue
		}
		if count[key] == most {
			third[key] = len(few)
		}
		few = append(few, err)
	}
	for key, i := range third {
		if more := count[key] - most; more > 0 {
			f := few[i].(sensors.Fault)
			f.Problem += fmt.Sprintf(" (so also further below, %d times, last in line %d)", more, last[key])
			few[i] = f
		}
	}
	return few
}

type takeoff struct {
	file    string
	csv     *csv.Reader
	columns map[string]int
	record  []string // read last
	faults  []error
}

func (r *takeoff) read() ([]string, error) {
	var err error
	r.record, err = r.csv.Read()
	return r.record, err
}

// fault names a field of the record read last. Columns count characters,
// where the CSV reader counts bytes.
func (r *takeoff) fault(i int, problem, want string) {
	line, col := r.csv.FieldPos(i)
	for _, before := range r.record[:i] {
		col -= len(before) - utf8.RuneCountInString(before)
	}
	r.faults = append(r.faults, sensors.Fault{File: r.file, Line: line, Column: col, Problem: problem, Want: want})
}

// asSent is what to do with a list that is not written as a take-off is.
func (r *takeoff) asSent() string {
	return "a list as somebody sent it is made one by: standwatch import takeoff " + r.file + " --out takeoff.csv"
}

func (r *takeoff) broken(err error) error {
	f := sensors.Fault{File: r.file, Line: 1, Column: 1, Problem: err.Error(), Want: "a take-off is CSV with the header " + strings.Join(rules.RunColumns[:rules.RunNeeds], ",") + "; " + r.asSent()}
	var e *csv.ParseError
	if errors.As(err, &e) {
		f.Line, f.Column, f.Problem = e.Line, max(e.Column, 1), e.Err.Error()
	}
	if err == io.EOF {
		f.Problem = "the take-off is empty"
	}
	return f
}

func (r *takeoff) run(rec []string) rules.Run {
	run, faults := rules.ReadRun(func(column string) string {
		i, ok := r.columns[column]
		if !ok {
			return ""
		}
		if !utf8.ValidString(rec[i]) {
			r.fault(i, column+" is not UTF-8 text", "save the file as UTF-8")
		}
		return rec[i]
	})
	for _, f := range faults {
		r.fault(r.columns[f.Column], f.Problem, f.Want)
	}
	run.Row, _ = r.csv.FieldPos(0)
	return run
}
