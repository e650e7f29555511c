package daemon

import (
	"testing"

	"standwatch/rules"
)

func TestResumeAt(t *testing.T) {
	start, begin, end := &rules.Started{}, func(step string) *rules.Told { return &rules.Told{Kind: "begin", Name: step} },
		func(step string) *rules.Told { return &rules.Told{Kind: "end", Name: step} }
	for name, c := range map[string]struct {
		marks map[uint64]rules.Body
		now   uint64
		want  uint64
	}{
		"the very first start":                 {map[uint64]rules.Body{1: start}, 1, 1},
		"nothing open: the start before":       {map[uint64]rules.Body{1: start, 50: start, 90: start}, 90, 50},
		"a step of the last run":               {map[uint64]rules.Body{1: start, 50: start, 60: begin("a"), 90: start}, 90, 50},
		"a step begun two runs ago":            {map[uint64]rules.Body{1: start, 20: begin("a"), 50: start, 90: start}, 90, 1},
		"a step over the start before, ended":  {map[uint64]rules.Body{1: start, 20: start, 30: begin("a"), 50: start, 60: end("a"), 90: start}, 90, 20},
		"a step that ended before that":        {map[uint64]rules.Body{1: start, 20: start, 30: begin("a"), 40: end("a"), 50: start, 90: start}, 90, 50},
		"one step leads to another":            {map[uint64]rules.Body{1: start, 10: begin("b"), 20: start, 30: begin("a"), 40: end("b"), 50: start, 90: start}, 90, 1},
		"a step begun again ends the earlier":  {map[uint64]rules.Body{1: start, 10: begin("a"), 50: start, 60: begin("a"), 70: end("a"), 80: start, 90: start}, 90, 80},
		"and one begun again that is still on": {map[uint64]rules.Body{1: start, 10: start, 20: begin("a"), 30: begin("a"), 50: start, 90: start}, 90, 10},
	} {
		t.Run(name, func(t *testing.T) {
			var marks []rules.Entry
			for seq := uint64(1); seq <= c.now; seq++ {
				if b := c.marks[seq]; b != nil {
					marks = append(marks, rules.Entry{Seq: seq, Body: b})
				}
			}
			if got := resumeAt(marks, c.now); got != c.want {
				t.Errorf("resumes at %d, want %d", got, c.want)
			}
		})
	}
}
