package rules

import (
	"reflect"
	"strings"
	"testing"
)

// told tells marks, one an entry, and returns the jobs they make.
func jobsOf(site Site, notes ...[2]string) *Jobs {
	j := NewJobs(site)
	for i, n := range notes {
		seq := uint64(10 * (i + 1))
		b := &Told{Kind: "mark", Name: n[0], Note: n[1]}
		if n[0] == "begin" {
			b = &Told{Kind: "begin", Name: n[1]}
			if system, step, ok := strings.Cut(n[1], "/"); ok {
				b.System, b.Name = system, step
			}
		}
		j.Tell(Entry{Seq: seq, Body: b}, b)
	}
	return j
}

func TestASystemHasOneJobUntilSomebodySaysOtherwise(t *testing.T) {
	j := NewJobs(Site{})
	list := j.Of("")
	if len(list) != 1 || list[0].Name != FirstJob || list[0].From != 1 || list[0].To != 0 || list[0].State != JobOpen {
		t.Fatalf("without a mark: %+v", list)
	}
	if _, ok := j.Newest("roof"); ok {
		t.Error("a system that the site has not has a job")
	}
}

func TestJobsHoldTheirOwnEntries(t *testing.T) {
	site := Site{Systems: []System{{Name: "north"}, {Name: "south"}}}
	j := jobsOf(site,
		[2]string{"begin", "south/take-off"},                                       // 10
		[2]string{MarkJobClosed, "south: handed over, to the owner, by Ines"},      // 20
		[2]string{MarkSigned, "south: technician, Duarte, Ines"},                   // 30
		[2]string{MarkJobReopened, "south: a leak, by Ines"},                       // 40
		[2]string{MarkJobClosed, "south: mended"},                                  // 50
		[2]string{MarkJobBegun, "south: third floor added, by Rui"},                // 60
		[2]string{MarkJobArchived, "south: job 1: papers sent, by Rui"},            // 70
		[2]string{MarkSigned, "south: job 1: owner, A. Reis, drawn 0000zzzz-i0i0"}, // 80
	)
	south := j.Of("south")
	if len(south) != 2 || len(j.Of("north")) != 1 {
		t.Fatalf("%d jobs in the south, %d in the north", len(south), len(j.Of("north")))
	}
	first, second := south[0], south[1]
	if first.From != 1 || first.To != 50 || first.State != JobArchived || second.From != 60 || second.To != 0 || second.State != JobOpen {
		t.Errorf("first %d to %d %s, second %d to %d %s", first.From, first.To, first.State, second.From, second.To, second.State)
	}
	if second.Name != "third floor added" || second.By != "Rui" || second.Number != 2 {
		t.Errorf("%+v", second)
	}
	var said []string
	for _, m := range first.Said {
		said = append(said, m.Mark+"|"+m.Text+"|"+m.By)
	}
	if want := []string{"job-closed|handed over, to the owner|Ines", "job-reopened|a leak|Ines", "job-closed|mended|", "job-archived|papers sent|Rui"}; !reflect.DeepEqual(said, want) {
		t.Errorf("said %q", said)
	}
	if len(first.Signed) != 2 || first.Signed[0].Name != "Duarte, Ines" || first.Signed[0].Role != "technician" || first.Signed[0].Seq != 30 {
		t.Fatalf("signed %+v", first.Signed)
	}
	if want := (Strokes{{{0, 0}, {1, 1}}, {{648.0 / 1295, 648.0 / 1295}}}); !reflect.DeepEqual(first.Signed[1].Strokes, want) {
		t.Errorf("drawn %v", first.Signed[1].Strokes)
	}
}

func TestTheFirstJobIsNamedNotDoubled(t *testing.T) {
	j := jobsOf(Site{}, [2]string{MarkJobBegun, "first start-up, by Ines"}, [2]string{"begin", "take-off"})
	if list := j.Of(""); len(list) != 1 || list[0].Name != "first start-up" || list[0].From != 1 {
		t.Errorf("%+v", list)
	}
	j = jobsOf(Site{}, [2]string{"begin", "take-off"}, [2]string{MarkJobBegun, "third floor, by Ines"})
	if list := j.Of(""); len(list) != 2 || list[0].To != 19 || list[0].State != JobClosed {
		t.Errorf("a job begun over an open one ends that: %+v", list)
	}
}

func TestWhatIsBegunInAClosedJobIsKeptThere(t *testing.T) {
	j := jobsOf(Site{}, [2]string{"begin", "take-off"}, [2]string{MarkJobClosed, "done"}, [2]string{"begin", "evacuation"})
	job, _ := j.Newest("")
	if job.To != 0 || job.Late != 30 || job.State != JobClosed {
		t.Errorf("%+v", job)
	}
	if _, text := j.doubted("", 30); !strings.Contains(text, "is closed") {
		t.Errorf("nobody is told: %q", text)
	}
}

func FuzzJobMark(f *testing.F) {
	f.Add("south: job 2: handed over, by Ines")
	f.Add("job 0: , by , by ")
	f.Add("south: owner, A. Reis, drawn 0000zzzz")
	f.Fuzz(func(t *testing.T, note string) {
		j := NewJobs(Site{Systems: []System{{Name: "south"}, {Name: "south roof"}}})
		m := j.ReadJobMark(note)
		if again := j.ReadJobMark(m.Note()); m.By != "" && strings.TrimSpace(m.Text) == m.Text && !reflect.DeepEqual(again, m) {
			t.Errorf("%q: %+v is written as %q and read as %+v", note, m, m.Note(), again)
		}
		if s, ok := j.ReadSigned(note); ok && !strings.Contains(s.Name, "drawn ") { // nobody is called so
			again, ok := j.ReadSigned(s.Note())
			if !ok || !reflect.DeepEqual(again, s) {
				t.Errorf("%q: %+v is written as %q and read as %+v", note, s, s.Note(), again)
			}
		}
	})
}
