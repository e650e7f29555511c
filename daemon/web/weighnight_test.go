package web

import (
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Two phones stand beside one scale: who is about to mark what the other has just
// marked is told so.
func TestWhoMarksWhatWasJustMarkedIsTold(t *testing.T) {
	const path, by = "/mark/cylinder-swapped?step=weigh-in", "Rui recorded this 2 min ago"
	box := newFakeBox("weigh")
	look := func() string {
		_, text := visit(t, box.screens().handler(), "GET", path, nil)
		return text
	}
	set := func(ms ...Mark) { box.change(func(n *Snapshot) { n.Marks = ms }) }
	now := box.Now().Wall
	swapped := func(ago time.Duration) Mark {
		return Mark{Told: rules.Told{Kind: "mark", Name: "cylinder-swapped", By: "Rui"}, Wall: now.Add(-ago)}
	}
	if set(swapped(2 * time.Minute)); !strings.Contains(look(), by) {
		t.Error("it is not said that the other phone marked the swap")
	}
	if set(swapped(2 * time.Hour)); strings.Contains(look(), "recorded this") {
		t.Error("a swap of two hours ago is taken for this one")
	}
	if set(Mark{Told: rules.Told{Kind: "mark", Name: "scale-zeroed", By: "Rui"}, Wall: now}); strings.Contains(look(), "recorded this") {
		t.Error("another mark is taken for this one")
	}
}

// At a scale in pounds limits have pounds first, and the weight of a cylinder is
// asked for in them: typed as kilograms it would be another charge.
func TestASiteInPoundsIsAskedInPounds(t *testing.T) {
	box := newFakeBox("weigh")
	box.change(func(n *Snapshot) {
		n.Points = slices.Clone(n.Points)
		for i := range n.Points {
			if n.Points[i].Quantity == sensors.Mass {
				n.Points[i].Unit = "lb"
			}
		}
	})
	h := box.screens().handler()
	if _, text := visit(t, h, "GET", "/steps/weigh-in", nil); !strings.Contains(text, "31 lb 5 oz\u00a0(14.20\u00a0kg)") && !strings.Contains(text, "31 lb 5 oz (14.20") {
		t.Error("the target does not stand in pounds first")
	}
	if _, text := visit(t, h, "GET", "/mark/cylinder-weight?step=weigh-in", nil); !strings.Contains(text, `<option value="lb" selected>`) {
		t.Error("a weight is asked for in kilograms where the scale shows pounds")
	}
}

// Who closes a job sees what is open, and not only how much.
func TestWhoClosesAJobSeesWhatIsOpen(t *testing.T) {
	_, text := visit(t, newFakeBox("idle").screens().handler(), "GET", "/record/job?do=close", nil)
	i := strings.Index(text, "still open, and will stand so in the record:")
	if i < 0 || !strings.Contains(text[i:], "Not done in this job:") {
		t.Errorf("what is open is not listed:\n%s", text)
	}
}

// A trial run is judged by its superheat, which stands largest; and after a charge
// that is not what was aimed at it says so.
func TestATrialRunHasItsSuperheatAndItsCharge(t *testing.T) {
	box := newFakeBox("weigh")
	box.change(func(n *Snapshot) {
		now := n.Wall
		n.Past = append([]Step{{Step: rules.Step{Name: "weigh-in", Begin: 5}, Begun: now.Add(-2 * time.Hour), Ended: now.Add(-time.Hour),
			Verdicts: []Finding{{Finding: rules.Finding{Edge: rules.Given, Step: "weigh-in", Result: rules.NotPassed, Cause: "over",
				Text: "Weigh-in failed: 14.55 of 14.20 kg, 0.35 kg (12 oz) too much. It is recovered by weight."}}}}}, n.Past...)
		n.Running = []Step{{Step: rules.Step{Name: "trial-run", Begin: 9}, Begun: now.Add(-25 * time.Minute), FigureAt: now,
			Outlook: rules.Outlook{Sentence: "Trial run, 25 of 45 min.", Point: "suction", Quantity: sensors.Temperature, Figure: 12, HasFig: true, Left: -1,
				Values: []rules.Value{{Key: "superheat_k", Number: 8.1}}}}}
	})
	for _, path := range []string{"/", "/steps/trial-run"} {
		_, text := visit(t, box.screens().handler(), "GET", path, nil)
		text = strings.ReplaceAll(text, "\u00a0", " ")
		if !strings.Contains(text, "Weigh-in failed: 14.55 of 14.20 kg, 0.35 kg (12 oz) too much.") || strings.Contains(text, "too much. It is recovered") {
			t.Errorf("%s: the charge before it is not said in one line", path)
		}
		if path == "/" && (!strings.Contains(text, `<span class="number">8.1</span> <span class="unit">K</span>`) || !strings.Contains(text, "superheat")) {
			t.Errorf("the large figure is not the superheat:\n%s", text)
		}
	}
	box.change(func(n *Snapshot) { n.Past[0].Verdicts[0].Result = rules.Passed })
	if _, text := visit(t, box.screens().handler(), "GET", "/", nil); strings.Contains(text, "14.55") {
		t.Error("a charge that passed is said too")
	}
}

// A flag that is acknowledged on two phones is his who took it first.
func TestWhoAcknowledgesFirstHasIt(t *testing.T) {
	box := newFakeBox("hold")
	f := box.Now().Flags[0]
	tap := func() (int, string) {
		resp, text := visit(t, box.screens().handler(), "POST", "/marks",
			form("kind", "acknowledge", "flag", f.Flag.Flag, "system", f.System, "subject", f.Subject, "by", "Rui", "back", "/flags"))
		return resp.StatusCode, text
	}
	box.change(func(n *Snapshot) { n.Flags[0].Acknowledged, n.Flags[0].By = true, "Ana" })
	if code, text := tap(); code != 422 || !strings.Contains(text, "Ana has acknowledged this already") {
		t.Errorf("%d: %s", code, text)
	}
	box.change(func(n *Snapshot) { n.Flags[0].Acknowledged, n.Flags[0].By = false, "" })
	if code, _ := tap(); code != 303 {
		t.Errorf("one that nobody has: %d", code)
	}
}
