package web

import (
	"cmp"
	"encoding/json"
	"net/http"
	"strconv"
)

// curve answers with the curve of a step (?system=&step=&begin=), under way or
// over, or a point's (?point=&from=&to=, Unix ms), of at most most samples; null
// where a step has none: not begun, or without a point to look at.
func (s *screens) curve(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	most := mostSamples
	if n, err := strconv.Atoi(q.Get("most")); err == nil && n >= 2 && n <= 2000 {
		most = n
	}
	snap, units := s.box.Now(), unitsOf(r)
	var ch *chart
	var err error
	if name := q.Get("step"); name != "" {
		system, known := s.knownStep(snap, q.Get("system"), name)
		begin, bad := strconv.ParseUint(cmp.Or(q.Get("begin"), "0"), 10, 64)
		st, begun := snap.begun(system, name, begin)
		if !known || bad != nil || begin != 0 && !begun {
			s.refuse(w, r, http.StatusNotFound, "refused.step")
			return
		}
		if begun { // else there is nothing to draw yet: no curve, and no fault
			ch, err = s.stepChart(r.Context(), snap, units, st, most)
		}
	} else {
		p, ok := snap.point(q.Get("point"))
		if !ok {
			s.refuse(w, r, http.StatusNotFound, "refused.point")
			return
		}
		from, err1 := strconv.ParseInt(q.Get("from"), 10, 64)
		to, err2 := strconv.ParseInt(q.Get("to"), 10, 64)
		if q.Get("from") == "" && q.Get("to") == "" {
			from, to = pointWindow(snap)
		} else if err1 != nil || err2 != nil || from >= to {
			s.refuse(w, r, http.StatusBadRequest, "refused.window")
			return
		}
		ch, err = s.pointChart(r.Context(), snap, units, p.Point, from, to, most)
	}
	if err != nil {
		s.log.Error("a curve could not be read", "error", err)
		s.refuse(w, r, http.StatusInternalServerError, "refused.curve")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_ = json.NewEncoder(w).Encode(ch) // a reader that has gone away is no fault of ours
}

func (s Snapshot) running(system, step string) (Step, bool) {
	for _, st := range s.Running {
		if st.Name == step && st.System == system {
			return st, true
		}
	}
	return Step{}, false
}
