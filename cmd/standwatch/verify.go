package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"standwatch/daemon/record"
)

type verifyCommand struct {
	Bundle string `arg:"" help:"The bundle."`
	Key    string `placeholder:"FINGERPRINT" help:"The fingerprint on the paper: any other key's signature counts for nothing."`
	Since  string `placeholder:"BUNDLE" help:"An earlier bundle of the same box: check that all of its entries are in this one, unchanged."`
	Remake bool   `negatable:"" default:"true" help:"Make the record anew from the entries, and compare it with the one in the bundle."`
	JSON   bool   `name:"json" help:"One JSON object, on standard output."`
}

// Run says whether the bundle is intact, and fails where it is not.
func (c verifyCommand) Run(ctx context.Context, o output) (err error) {
	want := ""
	if c.Key != "" {
		if want, err = record.ParseFingerprint(c.Key); err != nil {
			return usagef("--key: %w", err)
		}
	}
	v, done, err := verifyFile(c.Bundle)
	if err != nil {
		return err
	}
	defer done()
	if len(v.Faults) == 0 && want != "" && want != v.Fingerprint {
		v.Faults = append(v.Faults, record.Fault{Part: "manifest.sig", Description: fmt.Sprintf(
			"It is signed by another key than the paper's: %s. Somebody else made it, or the paper belongs to another box.", v.Fingerprint)})
	}
	if c.Since != "" && len(v.Faults) == 0 {
		earlier, done, err := verifyFile(c.Since)
		if err != nil {
			return err
		}
		defer done()
		if len(earlier.Faults) > 0 { // that is no fault of the one that is asked about
			return fmt.Errorf("--since: %s is no bundle to compare with: %s Give the earlier bundle as the box made it, or leave --since out", c.Since, earlier.Faults[0].Description)
		}
		if err := v.Continues(earlier); err != nil {
			v.Faults = append(v.Faults, record.Fault{Part: "entries.jsonl", Description: fmt.Sprintf("It does not carry on what %s holds: %v.", c.Since, err)})
		}
	}
	var again *record.Remade
	unmade := ""
	if c.Remake && len(v.Faults) == 0 {
		if again, unmade, err = remake(ctx, &v); err != nil {
			return err
		}
	}
	if c.JSON {
		err = printVerified(o.out, v, want != "", again, unmade)
	} else {
		sayVerified(o.out, c.Bundle, v, want != "")
		if len(v.Faults) == 0 {
			sayRemade(o.out, v.Manifest.Program, again, unmade)
		}
	}
	if err == nil && len(v.Faults) > 0 {
		return toldError{errors.New("it is not intact")}
	}
	return err
}

// verifyFile verifies a bundle, which stays open until done.
func verifyFile(name string) (v record.Verified, done func(), err error) {
	f, size, err := openBundle(name)
	if err != nil {
		return v, nil, err
	}
	if v, err = record.Verify(f, size); err != nil {
		return v, nil, errors.Join(fmt.Errorf("%s: %w", name, err), f.Close())
	}
	return v, func() { _ = f.Close() }, nil // it was read only
}

const wantBundle = "give a bundle, the .zip that standwatch bundle or the page Record made"

// openBundle opens a bundle's file.
func openBundle(name string) (f *os.File, size int64, err error) {
	if f, err = os.Open(name); err != nil {
		return nil, 0, fmt.Errorf("%s: %w; %s", name, reason(err), wantBundle)
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder; %s", name, wantBundle)
	}
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, info.Size(), nil
}

// remake makes the record anew and adds what is wrong with the one in the
// bundle. unmade says why it could not be made: a fault too where this very
// program made it once.
func remake(ctx context.Context, v *record.Verified) (again *record.Remade, unmade string, err error) {
	dir, err := os.MkdirTemp("", "standwatch-verify-*")
	if err != nil {
		return nil, "", err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	made, faults, err := v.Remake(ctx, dir, maker())
	switch {
	case ctx.Err() != nil:
		return nil, "", ctx.Err()
	case err != nil && made.Same:
		faults = []record.Fault{{Part: "record.json", Description: fmt.Sprintf(
			"The record cannot be made anew from the entries, by the same program that made it: %v. Where this machine is at fault, as by a full disk, mend that and try again.", err)}}
		fallthrough
	case err == nil:
		v.Faults = faults
		return &made, "", nil
	}
	return nil, err.Error(), nil
}

// sayRemade says what making the record anew came to.
func sayRemade(w io.Writer, by string, again *record.Remade, unmade string) {
	switch {
	case unmade != "":
		fmt.Fprintf(w, "NOT compared: the record in it, made by %s, could not be made anew from its entries by this one: %s. What its papers say nobody has checked against its entries; the field log in it is what they give.\n", by, unmade)
	case again == nil:
		fmt.Fprint(w, "NOT compared, as you asked: whether the record in it says what its entries give.\n")
	case again.Same:
		fmt.Fprintf(w, "The record in it was made anew from its entries and from what was found in its time (findings.jsonl): %d papers, equal byte for byte.\n", len(again.Equal))
	default:
		fmt.Fprintf(w, "The record in it was made by %s and made anew from its entries and from what was found in its time (findings.jsonl) by %s: %d figures equal, %d otherwise.\n", by, again.Program, again.FiguresEqual, again.FiguresOther)
		for _, x := range again.Examples {
			fmt.Fprintf(w, "- in the bundle: %s\n", x)
		}
		if again.FiguresOther > 0 {
			fmt.Fprint(w, "Another version may judge otherwise. To know, verify with the version that made it: there every byte must be equal.\n")
		}
	}
	if again != nil && len(again.Drawn) > 0 {
		fmt.Fprintf(w, "%s holds letters of the fonts of the machine that drew it, and looks otherwise here; its words are compared in record.html.\n", strings.Join(again.Drawn, ", "))
	}
}

func printVerified(w io.Writer, v record.Verified, known bool, again *record.Remade, unmade string) error {
	if v.Faults == nil {
		v.Faults = []record.Fault{}
	}
	b, err := json.Marshal(struct {
		Intact   bool           `json:"intact"`
		Key      string         `json:"key,omitempty"`
		KeyKnown bool           `json:"key_known"`
		Entries  uint64         `json:"entries"`
		From     string         `json:"from,omitempty"`
		To       string         `json:"to,omitempty"`
		Head     string         `json:"head"`
		Late     uint64         `json:"chained_late"`
		Behind   uint64         `json:"not_chained_yet"`
		Photos   int            `json:"photos_missing"`
		Program  string         `json:"program"`
		Remade   *record.Remade `json:"remade,omitempty"`
		Unmade   string         `json:"not_remade,omitempty"`
		Faults   []record.Fault `json:"faults"`
	}{len(v.Faults) == 0, v.Fingerprint, known, v.Manifest.Entries, v.Manifest.From, v.Manifest.To, v.Manifest.Head.String(), v.Manifest.Late, v.Manifest.Behind(v.Manifest.Entries), v.PhotosMissing, v.Manifest.Program, again, unmade, v.Faults})
	if err == nil {
		_, err = fmt.Fprintf(w, "%s\n", b)
	}
	return err
}

func sayVerified(w io.Writer, name string, v record.Verified, known bool) {
	if len(v.Faults) > 0 {
		fmt.Fprintf(w, "%s is NOT intact.\n", name)
		for _, f := range v.Faults {
			fmt.Fprintf(w, "- %s\n", f.Description)
		}
		if v.Fingerprint != "" {
			fmt.Fprintf(w, "The manifest is signed by the key %s.\n", v.Fingerprint)
		}
		return
	}
	m := v.Manifest
	fmt.Fprintf(w, "%s is intact: %d parts, %d entries%s.\n", name, len(m.Parts)+2, m.Entries, between(m.From, m.To))
	fmt.Fprintf(w, "Head of the chain: %s\n", m.Head)
	if known {
		fmt.Fprintf(w, "Signed by the key you gave: %s\n", v.Fingerprint)
	} else {
		fmt.Fprintf(w, "Signed by a key that this machine does not know: %s\nIntact means: nothing was changed since it was signed. Who signed it is open: anybody can make a key and sign. Compare the key with the fingerprint on the paper that was handed over or on the label in the panel, not on one out of this file: who can sign anew can print anew.\n", v.Fingerprint)
	}
	for _, s := range m.Says(m.Entries) {
		fmt.Fprintln(w, s)
	}
	if n := v.PhotosMissing; n > 0 {
		fmt.Fprintf(w, "Pictures that marks name and the bundle lacks, because the journal did not hold them: %d.\n", n)
	}
}

func between(from, to string) string {
	if from == "" {
		return ", at times that no clock told"
	}
	return strings.Join([]string{" from", from, "to", to}, " ")
}
