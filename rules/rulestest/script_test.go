package rulestest_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"standwatch/rules"
	"standwatch/rules/rulestest"
)

var update = flag.Bool("update", false, "write what was found into the scripts; read the difference before committing it")

const scripts = "../../testdata/rules"

func TestScripts(t *testing.T) {
	for _, file := range files(t) {
		t.Run(strings.TrimPrefix(file, scripts+"/"), func(t *testing.T) {
			s := read(t, file)
			got := rulestest.Print(s.Run())
			if *update {
				if err := os.WriteFile(file, []byte(s.WithFound(s.Run())), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if got != s.Found {
				t.Errorf("found\n%s\nexpected\n%s", got, s.Found)
			}
		})
	}
}

func TestEveryRuleHasAGoodAndABadScript(t *testing.T) {
	for _, r := range rules.All() {
		if len(r.Flags) == 0 {
			continue
		}
		for _, name := range []string{"good", "bad"} {
			s := read(t, filepath.Join(scripts, r.Name, name+".txt"))
			raised := false
			for _, f := range s.Run() {
				for _, flag := range r.Flags {
					raised = raised || f.Edge == rules.Raised && f.Flag == flag
				}
			}
			if raised != (name == "bad") {
				t.Errorf("%s/%s.txt: raised %v", r.Name, name, raised)
			}
		}
	}
}

func files(t testing.TB) []string {
	t.Helper()
	fs, err := filepath.Glob(scripts + "/*/*.txt")
	if err != nil || len(fs) == 0 {
		t.Fatalf("no scripts in %s: %v", scripts, err)
	}
	return fs
}

func read(t testing.TB, file string) *rulestest.Script {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	s, err := rulestest.Parse(string(text))
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return s
}
