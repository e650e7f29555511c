package trial_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/simulate/trial"
)

// What is said to answer does answer: one at a time, the supply air of the
// room that the truth names moves towards what was asked, and that of the room
// which was meant does not, where they are not the same.
func TestBranchCheckAnswers(t *testing.T) {
	asked, crossed, silent := 0, 0, 0
	for seed := range uint64(50) {
		one := of(t, "branch-check").Of(seed)
		least, _ := one.Number("least_response_k")
		defrosts, _ := one.Number("defrosts")
		doors, _ := one.Number("doors")
		if plan := one.Word("plan"); plan == "coded" || least < 5 || defrosts+doors > 0 || one.Word("thermostat") == "yes" || one.Word("clear") == "no" || one.Word("leak") != "" {
			continue
		}
		answers := map[string]string{}
		for _, p := range strings.Fields(one.Word("pairs")) {
			i, k, _ := strings.Cut(p, ">")
			answers[i] = k
		}
		answersNothing := append(strings.Fields(one.Word("dead")), strings.Fields(one.Word("unmeasured"))...)
		for _, run := range alone(one) {
			want, got := run.unit, run.changes
			if k, ok := answers[want]; ok {
				want = k
			}
			switch kind := one.Word("kind"); {
			case slices.Contains(answersNothing, run.unit):
				continue
			case kind == "pipes" && want != run.unit, kind == "one-pipe":
				if kind == "pipes" && got[want] > 3.5 {
					t.Errorf("seed %d: %s alone: %s answers by %.1f K through a shut valve", seed, run.unit, want, got[want])
				}
				silent++
				continue
			}
			asked++
			if got[want] < 1.5 { // of 5 K, less the weather of ten minutes
				t.Errorf("seed %d: %s alone: %s should answer, changes by %.1f K", seed, run.unit, want, got[want])
			}
			if want != run.unit {
				crossed++
				if got[run.unit] > got[want] {
					t.Errorf("seed %d: %s alone: %s should answer by %.1f K, itself changes by %.1f K", seed, run.unit, want, got[want], got[run.unit])
				}
			}
		}
	}
	if asked < 80 || crossed < 15 || silent < 6 {
		t.Errorf("%d units asked alone, %d of them crossed, %d silent: too few to judge by", asked, crossed, silent)
	}
}

// lone is a run in which one unit is asked: by how much each room's supply air
// moves towards what was asked, from just before it to the run's end.
type lone struct {
	unit    string
	changes map[string]float64
}

func alone(one trial.Trial) (runs []lone) {
	latest, before := map[string][]float64{}, map[string]float64{}
	active, sense := map[string]float64{}, 0.0
	unit := ""
	mean := func(of []float64) (m float64) {
		for _, v := range of {
			m += v / float64(len(of))
		}
		return m
	}
	var begun time.Time
	finish := func(at time.Time) {
		if unit != "" && len(active) == 1 && at.Sub(begun) > 5*time.Minute {
			run := lone{unit, map[string]float64{}}
			for k, vs := range latest {
				run.changes[k] = sense * (mean(vs) - before[k])
			}
			runs = append(runs, run)
		}
		unit = ""
	}
	for _, r := range one.Rows {
		if name, ok := strings.CutSuffix(r.Name, "-supply"); ok {
			v, _ := strconv.ParseFloat(r.Value, 64)
			latest[name] = append(latest[name], v)
			if n := len(latest[name]); n > 6 {
				latest[name] = latest[name][n-6:]
			}
		}
		if r.Kind != "command" {
			continue
		}
		finish(r.Time)
		switch r.Note {
		case "heat", "cool":
			active[r.Name] = 1
			unit, sense, begun = r.Name, 1, r.Time
			if r.Note == "cool" {
				sense = -1
			}
			for k, vs := range latest {
				before[k] = mean(vs)
			}
		default:
			delete(active, r.Name)
		}
	}
	return runs
}

// Crossings are permutations: who answers another is answered by another, and
// a straight building has none.
func TestBranchCheckCrossingsAgree(t *testing.T) {
	kinds := map[string]int{}
	for seed := range uint64(80) {
		one := of(t, "branch-check").Of(seed)
		var from, to []string
		for _, p := range strings.Fields(one.Word("pairs")) {
			i, k, _ := strings.Cut(p, ">")
			from, to = append(from, i), append(to, k)
			if i == k {
				t.Errorf("seed %d: %s", seed, p)
			}
		}
		slices.Sort(to)
		if !slices.Equal(from, to) {
			t.Errorf("seed %d: %q is no permutation", seed, one.Word("pairs"))
		}
		straight := one.Word("kind") == "straight" || one.Word("kind") == "one-pipe"
		if straight != (len(from) == 0) {
			t.Errorf("seed %d: %s, pairs %q", seed, one.Word("kind"), one.Word("pairs"))
		}
		kinds[one.Word("kind")]++
	}
	for _, k := range []string{"straight", "addresses", "pipes", "pipes-ajar", "sensors", "one-pipe"} {
		if kinds[k] < 2 {
			t.Errorf("%d of 80 trials are of the kind %s", kinds[k], k)
		}
	}
}
