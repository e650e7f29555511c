package record

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var wordBox = regexp.MustCompile(`<word xMin="([0-9.]+)" yMin="([0-9.]+)" xMax="([0-9.]+)" yMax="([0-9.]+)">(.*)</word>`)

// A label on which too much is to stand cuts what is least, and says so: no word
// lies on another or out of the frame, the system, what the tests came to and the
// names stay, and its code is read.
func TestACrowdedLabel(t *testing.T) {
	l := libraryLabel()
	l.Site, l.System, l.Job = "Δημοτική Βιβλιοθήκη της Προκυμαίας και Αναγνωστήριο Παίδων", "βόρεια πτέρυγα, τρίτος όροφος", "η πρώτη εκκίνηση μετά την ανακαίνιση"
	l.Added = between(13.4, 14.98, 15.2)
	l.Added.How = fmt.Sprintf(labelPartWeighed, "1.20")
	l.Total = l.Factory.plus(l.Added)
	for i := range 9 {
		l.Liquid = append(l.Liquid, pipeSize{0.030 + float64(i)*0.005, 100.5})
	}
	l.Gas = l.Liquid
	l.Notes = []string{"Weigh-in not proven: 1.20 kg seen by no scale; between 13.40 and 15.20 kg went in, target 14.98 kg.", "Accepted by Ειρήνη Άλφα: weighed again by hand with the second scale, sheet 12", "Take-off: 14.98 kg to be added"}
	l.Pressure = labelProof{"reported, not measured by this box: Duarte of the pipe fitters' firm: sheet 7 of 2 June, 38 bar of dry nitrogen for 24 h, no drop after compensation, gauge 4711 calibrated in March"}
	l.Vacuum = labelProof{"91 Pa (685 micron) for 60 min, limit 500 micron: failed, 2026-06-20; Accepted by A. Reis: the flare of iu03 was found loose and tightened; the line was pulled down once more overnight, sheet 9"}
	l.Who = []labelSigner{{"Αικατερίνη Παπαδοπούλου-Χατζηγεωργίου", "υπεύθυνη τεχνικός ψύξεως"}, {"Константин Преображенский", "owner"}}
	for _, paper := range LabelPapers {
		k, err := paper.scale()
		if err != nil {
			t.Fatal(err)
		}
		file := labelFile(t, l, paper)
		type box struct {
			x0, y0, x1, y1 float64
			text           string
		}
		var boxes []box
		var all strings.Builder
		for _, m := range wordBox.FindAllStringSubmatch(string(outside(t, "pdftotext", "-bbox", file, "-")), -1) {
			var v [4]float64
			for i := range v {
				if v[i], err = strconv.ParseFloat(m[i+1], 64); err != nil {
					t.Fatal(err)
				}
			}
			third := (v[3] - v[1]) / 3 // a font's box is higher than its letters
			boxes = append(boxes, box{v[0], v[1] + third, v[2], v[3] - third/2, m[5]})
			all.WriteString(m[5] + " ")
		}
		if len(boxes) < 60 {
			t.Fatalf("%s: only %d words were found", paper, len(boxes))
		}
		const mm = 72 / 25.4
		for i, a := range boxes {
			if a.x0 < (sheetEdge-2)*k*mm || a.x1 > (sheetWide-sheetEdge+2)*k*mm || a.y1 > (sheetHigh-sheetEdge+2)*k*mm {
				t.Errorf("%s: %q lies out of the frame", paper, a.text)
			}
			for _, b := range boxes[:i] {
				if min(a.x1, b.x1)-max(a.x0, b.x0) > 1 && min(a.y1, b.y1)-max(a.y0, b.y0) > 0.5 {
					t.Errorf("%s: %q lies on %q", paper, a.text, b.text)
				}
			}
		}
		for _, want := range []string{"βόρεια", "reported,", "failed,", "2026-03-02", "Αικατερίνη", "Константин", "6.35", "more sizes", "13.40", labelMore, "Recover,"} {
			if !strings.Contains(all.String(), want) {
				t.Errorf("%s: %q is not on it", paper, want)
			}
		}
		if got := readCode(t, labelPixels(t, file, 203)); !strings.Contains(got, "TOTAL 33.00-34.80 kg") {
			t.Errorf("%s: the code reads %q", paper, got)
		}
	}
}
