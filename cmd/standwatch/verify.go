package main

import (
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
	JSON   bool   `name:"json" help:"One JSON object, on standard output."`
}

// Run says whether the bundle is intact, and fails where it is not.
func (c verifyCommand) Run(o output) (err error) {
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
		if err := v.Continues(earlier); err != nil {
			v.Faults = append(v.Faults, record.Fault{Part: "entries.jsonl", Description: fmt.Sprintf("It does not carry on what %s holds: %v.", c.Since, err)})
		}
	}
	if c.JSON {
		err = printVerified(o.out, v, want != "")
	} else {
		sayVerified(o.out, c.Bundle, v, want != "")
	}
	if err == nil && len(v.Faults) > 0 {
		return toldError{errors.New("it is not intact")}
	}
	return err
}

// verifyFile verifies a bundle, which stays open until done.
func verifyFile(name string) (v record.Verified, done func(), err error) {
	f, err := os.Open(name)
	if err != nil {
		return v, nil, err
	}
	info, err := f.Stat()
	if err == nil {
		v, err = record.Verify(f, info.Size())
	}
	if err != nil {
		return v, nil, errors.Join(fmt.Errorf("%s: %w", name, err), f.Close())
	}
	return v, func() { _ = f.Close() }, nil // it was read only
}

func printVerified(w io.Writer, v record.Verified, known bool) error {
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
		Faults   []record.Fault `json:"faults"`
	}{len(v.Faults) == 0, v.Fingerprint, known, v.Manifest.Entries, v.Manifest.From, v.Manifest.To, v.Manifest.Head.String(), v.Manifest.Late, v.Manifest.Behind(v.Manifest.Entries), v.PhotosMissing, v.Manifest.Program, v.Faults})
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
		fmt.Fprintf(w, "Signed by a key that this machine does not know: %s\nCompare it with the fingerprint on the paper that was handed over or on the label in the panel, not on one out of this file: who can sign anew can print anew.\n", v.Fingerprint)
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
