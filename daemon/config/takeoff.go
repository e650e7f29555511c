package config

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"standwatch/rules/physics"
	"standwatch/sensors"
)

// Run is one measured piece of pipework, a row of the take-off.
type Run struct {
	Name             string
	Line             string // liquid, suction or hot-gas
	OutsideDiameterM float64
	LengthM          float64
	WallM            float64 // 0: by the tube's standard
	FactorKgM        float64 // the maker's mass a length; 0: none given
}

// Pipe is the run as physics sees it: with its bore.
func (r Run) Pipe() (physics.Line, error) {
	tube, err := physics.TubeOf(r.OutsideDiameterM, r.WallM)
	if err != nil {
		return physics.Line{}, fmt.Errorf("run %q: %w", r.Name, err)
	}
	return physics.Line{Tube: tube, LengthM: r.LengthM, Liquid: r.Line == "liquid", FactorKgM: r.FactorKgM}, nil
}

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
		if lines, err := pipes(runs); err == nil {
			s.Systems[i].PipeM3 = physics.ChargeOf(lines, 0).TotalM3
		}
	}
}

func pipes(runs []Run) (lines []physics.Line, err error) {
	for _, r := range runs {
		l, err := r.Pipe()
		if err != nil {
			return nil, err
		}
		lines = append(lines, l)
	}
	return lines, nil
}

var (
	takeoffLines   = []string{"liquid", "suction", "hot-gas"}
	takeoffNeeds   = []string{"run", "line", "outside_diameter", "length"}
	takeoffPerhaps = []string{"wall", "factor"}
)

// ReadTakeoff reads a take-off CSV: run,line,outside_diameter,length and
// perhaps wall and factor (kg/m or lb/ft).
func ReadTakeoff(in io.Reader, file string) ([]Run, []error) {
	r := takeoff{file: file, csv: csv.NewReader(in)}
	header, err := r.read()
	if err != nil {
		return nil, []error{r.broken(err)}
	}
	r.columns = map[string]int{}
	for i, h := range header {
		h = strings.TrimPrefix(h, "\ufeff")
		known := slices.Concat(takeoffNeeds, takeoffPerhaps)
		if !slices.Contains(known, h) {
			r.fault(i, fmt.Sprintf("there is no column %q", h), sensors.Known(h, known, ""))
		}
		r.columns[h] = i
	}
	for _, h := range takeoffNeeds {
		if _, ok := r.columns[h]; !ok {
			r.fault(0, "the column "+h+" is missing", "the first line is "+strings.Join(takeoffNeeds, ",")+" and perhaps ,wall,factor")
		}
	}
	if len(r.faults) > 0 {
		return nil, r.faults
	}
	var runs []Run
	for {
		rec, err := r.read()
		if err == io.EOF {
			return runs, r.faults
		}
		if err != nil {
			r.faults = append(r.faults, r.broken(err))
			if !errors.Is(err, csv.ErrFieldCount) {
				return runs, r.faults
			}
			continue
		}
		runs = append(runs, r.run(rec))
	}
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

func (r *takeoff) broken(err error) error {
	f := sensors.Fault{File: r.file, Line: 1, Column: 1, Problem: err.Error(), Want: "a take-off is CSV with the header " + strings.Join(takeoffNeeds, ",")}
	var e *csv.ParseError
	if errors.As(err, &e) {
		f.Line, f.Column, f.Problem = e.Line, max(e.Column, 1), e.Err.Error()
	}
	if err == io.EOF {
		f.Problem = "the take-off is empty"
	}
	return f
}

func (r *takeoff) run(rec []string) Run {
	get := func(column string) (string, int) {
		i, ok := r.columns[column]
		if !ok {
			return "", 0
		}
		if !utf8.ValidString(rec[i]) {
			r.fault(i, column+" is not UTF-8 text", "save the file as UTF-8")
		}
		return rec[i], i
	}
	length := func(column string, least float64) float64 {
		text, i := get(column)
		if text == "" && slices.Contains(takeoffPerhaps, column) {
			return 0
		}
		v, err := sensors.ParseQuantity(text, sensors.Lengths)
		if err == nil && v <= least {
			err = fmt.Errorf("%q is no length of pipe", text)
		}
		if err != nil {
			r.fault(i, fmt.Sprintf("%s: %v", column, err), "")
		}
		return v
	}
	var run Run
	run.Name, _ = get("run")
	line, i := get("line")
	if run.Line = line; !slices.Contains(takeoffLines, line) {
		r.fault(i, fmt.Sprintf("line: %q is not a kind of line", line), sensors.Known(line, takeoffLines, ""))
	}
	run.OutsideDiameterM, run.LengthM, run.WallM = length("outside_diameter", 0), length("length", 0), length("wall", 0)
	if text, i := get("factor"); text != "" {
		v, ok := massPerLength(text)
		if !ok {
			r.fault(i, fmt.Sprintf("factor: %q is not a mass a length", text), "write 0.048 kg/m or 0.032 lb/ft, the maker's figure")
		}
		run.FactorKgM = v
	}
	return run
}

// massPerLength reads the maker's factor, in kg/m.
func massPerLength(text string) (float64, bool) {
	scale := 1.0
	number, ok := strings.CutSuffix(text, "kg/m")
	if !ok {
		if number, ok = strings.CutSuffix(text, "lb/ft"); !ok {
			return 0, false
		}
		scale = 0.45359237 / 0.3048 // exact, both by definition
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	return v * scale, err == nil && v > 0 && v < 100
}
