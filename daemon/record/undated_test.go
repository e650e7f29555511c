package record

import (
	"bytes"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A box that no clock ever told the time gives the same papers whenever they are
// made: nothing of the hour at which they are drawn gets into them.
func TestPapersWithoutAClockAreTheSameAnyHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := Document{Title: "Start-up record", Language: "en", Blocks: []Block{Heading{Level: 1, Text: "Vacuum hold"}}}
		var first [3][]byte
		for hour := range 2 {
			var label, page bytes.Buffer
			paper := drawPDF(t, d, A4)
			if err := (chargeLabel{}).pdf(&label, A6); err != nil {
				t.Fatal(err)
			}
			if err := HTML(&page, d); err != nil {
				t.Fatal(err)
			}
			if strings.Contains(page.String(), "0001-01-01") {
				t.Error("the page has a date that no clock told")
			}
			for i, made := range [][]byte{paper, label.Bytes(), page.Bytes()} {
				if hour == 0 {
					first[i] = made
				} else if !bytes.Equal(first[i], made) {
					t.Errorf("form %d is another an hour later", i)
				}
			}
			time.Sleep(time.Hour) // of the bubble's
		}
	})
}
