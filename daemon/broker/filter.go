package broker

import "strings"

// validFilter reports whether s is a topic filter (section 4.7.1): # is the whole
// last level, + a whole level. The server's own topics are left out.
func validFilter(s string) bool {
	levels := strings.Split(s, "/")
	for i, l := range levels {
		if strings.ContainsAny(l, "#+\x00") && len(l) > 1 || l == "#" && i < len(levels)-1 {
			return false
		}
	}
	return s != "" && s[0] != '$'
}

// covers reports whether everything that topic (itself perhaps a filter, in a
// subscription) can match is matched by filter, by the rules of MQTT 3.1.1, section 4.7.
func covers(filter, topic string) bool {
	for {
		f, moreF, okF := strings.Cut(filter, "/")
		t, moreT, okT := strings.Cut(topic, "/")
		if f == "#" {
			return true
		}
		if t == "#" || t == "+" && f != "+" || f != "+" && f != t {
			return false
		}
		if !okT {
			// "plant/#" covers "plant" too.
			return !okF || moreF == "#"
		}
		if !okF {
			return false
		}
		filter, topic = moreF, moreT
	}
}
