package rules

import (
	"encoding/json"
	"time"
)

// JSON returns the finding as the one object that replay prints, webhooks
// carry and brokers keep. wall is the wall time of its At.
func (f Finding) JSON(wall time.Time) []byte {
	type flag struct {
		Type    string             `json:"type"`
		At      string             `json:"at"`
		Rule    string             `json:"rule"`
		State   string             `json:"state"`
		Urgency string             `json:"urgency"`
		System  string             `json:"system"`
		Step    string             `json:"step"`
		Subject string             `json:"subject,omitempty"`
		Points  []string           `json:"points"`
		Text    string             `json:"text"`
		Values  map[string]float64 `json:"values"`
	}
	type verdict struct {
		Type   string             `json:"type"`
		At     string             `json:"at"`
		System string             `json:"system"`
		Step   string             `json:"step"`
		Unit   string             `json:"unit,omitempty"`
		Result string             `json:"result"`
		Cause  string             `json:"cause"`
		Text   string             `json:"text"`
		Values map[string]float64 `json:"values"`
		Pairs  *[]Pair            `json:"pairs,omitempty"`
	}
	at := wall.UTC().Format("2006-01-02T15:04:05.000Z")
	values := make(map[string]float64, len(f.Values)) // encoding/json sorts the keys
	for _, v := range f.Values {
		values[v.Key] = v.Number
	}
	var object any
	if f.Edge == Given {
		v := verdict{"verdict", at, f.System, f.Step, f.Unit, f.Result, f.Cause, f.Text, values, nil}
		if f.Step == "branch-check" { // that none is crossed is said, too
			pairs := append([]Pair{}, f.Pairs...)
			v.Pairs = &pairs
		}
		object = v
	} else {
		points := f.Points
		if points == nil {
			points = []string{}
		}
		object = flag{"flag", at, f.Flag, f.Edge.String(), f.Urgency.String(), f.System, f.Step, f.Subject, points, f.Text, values}
	}
	b, err := json.Marshal(object)
	if err != nil { // only a NaN or an infinity could do this, and Values are rounded finite numbers
		panic("rules: a finding that is not JSON: " + err.Error())
	}
	return b
}
