package outbox

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"standwatch/rules"
)

// message is one thing on its way to somebody by one path, as it lies in the
// path's queue. What it says was settled when it was put there: every attempt
// says the same under the same key.
type message struct {
	rules.Finding           // what it is about; empty where it is about several things, or none
	ID            int64     // the finding's number in the journal
	Key           string    // no other message's, and of one message the same on every path
	Wall          time.Time // of the finding, in the site's zone
	Proven        bool      // the clock was
	Box, Site     string
	Ack           string    // the link that acknowledges; empty: none
	To            string    // whom on the rota; empty: the path is nobody's
	From, Call    int       // of a wake: which of its calls to him this one stands for, from 1
	Since         time.Time // when it was first raised
	Aside         string    // a remark beside the place: that nobody is on watch
	Stands        string    // of a call after the first: how the step stands by now
	About         string    // of a message about several things, or about how a flag behaves: what it says
	Several       []message // what it is about, each as it would have been told alone
	Test          bool      // sent by hand, to try the path
	Beside        bool      // it goes beside the queue: the journal knows nothing of it
	Path          string    // the path's name
}

// word is the message in one word: wake, tell, over, passed, digest, ...
func (m message) word() string {
	switch {
	case m.Test:
		return "test"
	case m.Flag == "" && len(m.Several) > 0:
		return "digest"
	case m.Edge == rules.Raised:
		return m.Urgency.String()
	case m.Edge == rules.Cleared:
		return "over"
	}
	return m.Result
}

// where names the site and the system.
func (m message) where() string {
	if m.System == "" {
		return m.Site
	}
	return m.Site + ", " + m.System
}

// sentence is the whole message in a line.
func (m message) sentence() string {
	if m.About != "" || m.Test {
		return m.short()
	}
	word := m.word()
	if word == "over" {
		word = "cleared"
	}
	return fmt.Sprintf("%s: %s: %s", strings.ToUpper(word), m.where(), m.Text)
}

// subject names the urgency, the place and the matter, for a mail's list.
func (m message) subject() string {
	if m.About != "" || m.Test {
		return m.short()
	}
	matter := m.Flag
	if m.Unit != "" {
		matter += " " + m.Unit
	}
	if m.Subject != "" {
		matter += " " + m.Subject
	}
	word := strings.ToUpper(m.word())
	if m.Call > 1 {
		word = fmt.Sprintf("%s %d", word, m.Call)
	}
	s := fmt.Sprintf("%s: %s: %s", word, m.where(), matter)
	return strings.Join(strings.Fields(s), " ")
}

// json is the message as a webhook carries it: the object of a replay, and who
// says so. What is about several findings carries them all.
func (m message) json() []byte {
	type head struct {
		ID       int64             `json:"id"`
		Key      string            `json:"key"`
		Box      string            `json:"box"`
		Site     string            `json:"site"`
		Proven   bool              `json:"clock_proven"`
		Ack      string            `json:"ack_url,omitempty"`
		Sentence string            `json:"sentence"`
		Message  string            `json:"message"`
		Now      string            `json:"now,omitempty"`
		To       string            `json:"to,omitempty"`
		From     int               `json:"from,omitempty"` // of calls that could not be made in time and are in this one, the first
		Call     int               `json:"call,omitempty"`
		Since    string            `json:"since,omitempty"`
		Findings []json.RawMessage `json:"findings,omitempty"`
	}
	h := head{ID: m.ID, Key: m.Key, Box: m.Box, Site: m.Site, Proven: m.Proven, Ack: m.Ack, Sentence: m.sentence(), Message: m.short(), Now: m.Stands, To: m.To, Call: m.Call}
	if m.From < m.Call {
		h.From = m.From
	}
	if m.Call > 0 {
		h.Since = m.Since.UTC().Format("2006-01-02T15:04:05.000Z")
	}
	for _, x := range m.Several {
		h.Findings = append(h.Findings, x.Finding.JSON(x.Wall))
	}
	var body []byte
	switch {
	case m.Test, len(m.Several) > 0:
		body = fmt.Appendf(nil, `{"type":%q,"at":%q}`, map[bool]string{true: "test", false: "digest"}[m.Test], m.Wall.UTC().Format("2006-01-02T15:04:05.000Z"))
	default:
		body = m.Finding.JSON(m.Wall)
	}
	rest, err := json.Marshal(h)
	if err != nil { // texts and numbers only
		panic("outbox: " + err.Error())
	}
	return append(append(body[:len(body)-1:len(body)-1], ','), rest[1:]...)
}

// plain leaves of a name what may stand in a header.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.' {
			return r
		}
		return '_'
	}, s)
}
