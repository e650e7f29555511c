package stick

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Lines as proc(5) has them in its example and as a machine writes them.
const (
	rootLine  = "22 1 179:2 / / rw,noatime shared:1 - ext4 /dev/root rw"
	dataLine  = "36 22 179:3 / /data rw,noatime shared:9 - ext4 /dev/mmcblk0p3 rw,data=ordered"
	stickLine = "51 22 8:1 / /media/standwatch rw,nosuid,nodev,noexec shared:20 - vfat /dev/sda1 rw,fmask=0027"
	shutLine  = "51 22 8:1 / /media/standwatch ro,nosuid,nodev,noexec shared:20 - vfat /dev/sda1 rw"
	lockLine  = "51 22 8:1 / /media/standwatch rw,nosuid shared:20 - vfat /dev/sda1 ro,errors=remount-ro"
	bootLine  = "40 22 8:1 / /boot rw shared:3 - vfat /dev/sda1 rw"
	viewLine  = "60 22 179:2 /media/standwatch /media/standwatch rw master:1 - ext4 /dev/root rw"
	waitLine  = "50 22 0:40 / /media/standwatch rw - autofs systemd-1 rw,fd=38"
	oddLine   = `52 22 8:17 / /media/a\040stick rw - vfat /dev/sdb1 rw`
)

func TestAStickIsAMountNotAFolder(t *testing.T) {
	for name, c := range map[string]struct {
		lines []string
		dir   string
		kind  string // empty: it is there
	}{
		"none":                           {[]string{rootLine, dataLine}, "/media/standwatch", None},
		"there":                          {[]string{rootLine, stickLine, dataLine}, "/media/standwatch", ""},
		"by another spelling":            {[]string{rootLine, stickLine}, "/media//standwatch/", ""},
		"switched to read-only":          {[]string{rootLine, shutLine}, "/media/standwatch", ReadOnly},
		"read-only beneath":              {[]string{rootLine, lockLine}, "/media/standwatch", ReadOnly},
		"the machine's own boot disk":    {[]string{rootLine, bootLine, stickLine}, "/media/standwatch", Own},
		"the service's view of a folder": {[]string{rootLine, viewLine}, "/media/standwatch", None},
		"a stick beside that":            {[]string{rootLine, viewLine, stickLine, stickLine}, "/media/standwatch", ""},
		"waited for":                     {[]string{rootLine, waitLine}, "/media/standwatch", None},
		"waited for and come":            {[]string{rootLine, waitLine, stickLine}, "/media/standwatch", ""},
		"a blank in the name":            {[]string{rootLine, oddLine}, "/media/a stick", ""},
		"a folder within it":             {[]string{rootLine, stickLine}, "/media/standwatch/north", None},
		"not a list":                     {[]string{"", "x", "1 2 3 4 5 6 -", strings.Repeat("- ", 9)}, "/media/standwatch", None},
	} {
		s := Stick{Dir: c.dir, Mounts: func() (io.ReadCloser, error) {
			return io.NopCloser(strings.NewReader(strings.Join(c.lines, "\n") + "\n")), nil
		}}
		m, err := s.Look()
		if kindOf(err) != c.kind || c.kind == "" && m.Kind != "vfat" {
			t.Errorf("%s: %+v, %v; want %q", name, m, err, c.kind)
		}
	}
	// As this machine is: its root is mounted, and a folder is not.
	if _, err := (&Stick{Dir: t.TempDir()}).Look(); kindOf(err) != None {
		t.Errorf("a folder: %v", err)
	}
	if m, err := (&Stick{Dir: "/proc"}).Look(); kindOf(err) == None || m.Kind != "proc" && kindOf(err) != Own {
		t.Errorf("/proc: %+v, %v", m, err)
	}
}

func kindOf(err error) string {
	var t *Trouble
	if errors.As(err, &t) {
		return t.Kind
	}
	if err != nil {
		return "? " + err.Error()
	}
	return ""
}

func TestNamesThatFATTakes(t *testing.T) {
	for name, want := range map[string]string{
		"quayside-library-north-2026-03-12": "quayside-library-north-2026-03-12",
		"βιβλιοθήκη.pdf":                    "βιβλιοθήκη.pdf",
		`a/b\c:d*e?f"g<h>i|j`:               "a-b-c-d-e-f-g-h-i-j",
		"con":                               "_con",
		"lpt1.pdf":                          "_lpt1.pdf",
		"ends. . ":                          "ends",
		"..":                                "_",
		"":                                  "_",
		"a\nb\x7f":                          "a-b-",
		strings.Repeat("ж", 200):            strings.Repeat("ж", 60),
	} {
		if got := Name(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

// here is a stick that is a folder of this machine, seen as a mount.
func here(t *testing.T, d Disk) *Stick {
	t.Helper()
	dir := t.TempDir()
	line := strings.ReplaceAll(stickLine, "/media/standwatch", dir)
	return &Stick{Dir: dir, Disk: d, Mounts: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(line)), nil }}
}

func papers() []Source {
	return []Source{{"label.pdf", strings.NewReader("label")}, {"record.pdf", strings.NewReader(strings.Repeat("record ", 1000))}}
}

// What is written lies there whole, and nothing else; a second time it takes the place of the first.
func TestWriting(t *testing.T) {
	s := here(t, nil)
	for range 2 {
		all, err := s.Write(t.Context(), "north: 2026", papers())
		if err != nil {
			t.Fatal(err)
		}
		if len(all) != 2 || all[0].Name != "label.pdf" || all[1].Size != 7000 {
			t.Errorf("written: %+v", all)
		}
		for _, w := range all {
			body, err := os.ReadFile(filepath.Join(s.Dir, "north- 2026", w.Name))
			sum := sha256.Sum256(body)
			if err != nil || w.Sum != hex.EncodeToString(sum[:]) || int64(len(body)) != w.Size {
				t.Errorf("%+v: %v, %d bytes of %x", w, err, len(body), sum)
			}
		}
	}
	var there []string
	if err := filepath.WalkDir(s.Dir, func(_ string, d fs.DirEntry, err error) error {
		if there = append(there, d.Name()); err != nil {
			return err
		}
		return nil
	}); err != nil || !slices.Equal(there[1:], []string{"north- 2026", "label.pdf", "record.pdf"}) {
		t.Errorf("there is %q %v", there, err)
	}
}

// failing is a file system that does as it is told.
type failing struct {
	machine
	at   string // which call fails
	err  error
	wait chan struct{} // what it waits for there, instead of failing
	back string        // what is read back instead of what was written
}

func (d *failing) fails(at string) error {
	if d.at != at {
		return nil
	}
	if d.wait != nil {
		<-d.wait
	}
	return d.err
}

func (d *failing) MkdirAll(dir string) error {
	return errors.Join(d.fails("mkdir"), d.machine.MkdirAll(dir))
}
func (d *failing) Rename(a, b string) error {
	return errors.Join(d.fails("rename"), d.machine.Rename(a, b))
}
func (d *failing) SyncDir(dir string) error {
	return errors.Join(d.fails("syncdir"), d.machine.SyncDir(dir))
}

func (d *failing) Create(name string) (File, error) {
	if err := d.fails("create"); err != nil {
		return nil, err
	}
	f, err := d.machine.Create(name)
	return &failingFile{f, d}, err
}

func (d *failing) Open(name string) (io.ReadCloser, error) {
	if err := d.fails("open"); err != nil {
		return nil, err
	}
	if d.back != "" {
		return io.NopCloser(strings.NewReader(d.back)), nil
	}
	return d.machine.Open(name)
}

type failingFile struct {
	File
	d *failing
}

func (f *failingFile) Write(p []byte) (int, error) {
	if err := f.d.fails("write"); err != nil {
		n, _ := f.File.Write(p[:len(p)/2]) // it got so far
		return n, err
	}
	return f.File.Write(p)
}

func (f *failingFile) Sync() error { return errors.Join(f.d.fails("sync"), f.File.Sync()) }

// Each way in which a stick fails has its word; nothing counts as written, and nothing half done lies there under a name.
func TestWhatGoesWrong(t *testing.T) {
	path := func(err error) error { return &fs.PathError{Op: "x", Path: "/media/standwatch", Err: err} }
	for name, c := range map[string]struct {
		d    failing
		kind string
	}{
		"full":               {failing{at: "write", err: path(syscall.ENOSPC)}, Full},
		"full at the end":    {failing{at: "sync", err: path(syscall.ENOSPC)}, Full},
		"no folder":          {failing{at: "mkdir", err: path(syscall.ENOSPC)}, Full},
		"read-only":          {failing{at: "mkdir", err: path(syscall.EROFS)}, ReadOnly},
		"denied":             {failing{at: "create", err: path(syscall.EACCES)}, Denied},
		"pulled out":         {failing{at: "write", err: path(syscall.EIO)}, Gone},
		"pulled out at sync": {failing{at: "sync", err: path(syscall.EIO)}, Gone},
		"pulled out later":   {failing{at: "syncdir", err: path(syscall.ENODEV)}, Gone},
		"gone when read":     {failing{at: "open", err: path(syscall.ENOENT)}, Gone},
		"not what it was":    {failing{back: "lobel"}, Differs},
		"half of it":         {failing{back: "lab"}, Differs},
		"something else":     {failing{at: "rename", err: path(syscall.EINVAL)}, Other},
	} {
		s := here(t, &c.d)
		all, err := s.Write(t.Context(), "north", papers())
		if kindOf(err) != c.kind || all != nil {
			t.Errorf("%s: %v, %v; want %q", name, all, err, c.kind)
		}
		if s.Busy() {
			t.Errorf("%s: it is busy for ever", name)
		}
		left, _ := filepath.Glob(filepath.Join(s.Dir, "north", "*.part"))
		if len(left) != 0 {
			t.Errorf("%s: %q is left", name, left)
		}
	}
}

// A stick that is pulled out while it is written to, so that the files lie in
// the machine's own folder, or another one was put in.
func TestPulledOutMeanwhile(t *testing.T) {
	for name, second := range map[string]string{"gone": rootLine, "another": strings.Replace(stickLine, "8:1", "8:17", 1), "shut by the kernel": shutLine} {
		s, looks := here(t, nil), 0
		s.Mounts = func() (io.ReadCloser, error) {
			line := stickLine
			if looks++; looks > 1 {
				line = second
			}
			return io.NopCloser(strings.NewReader(strings.ReplaceAll(line, "/media/standwatch", s.Dir))), nil
		}
		if all, err := s.Write(t.Context(), "north", papers()); kindOf(err) != Gone || all != nil {
			t.Errorf("%s: %v, %v", name, all, err)
		}
	}
}

// A stick that hangs keeps nobody waiting beyond the deadline; until it lets go it is busy.
func TestTooSlow(t *testing.T) {
	d := &failing{at: "sync", wait: make(chan struct{})}
	s := here(t, d)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, err := s.Write(ctx, "north", papers()); kindOf(err) != Slow {
		t.Errorf("a stick that hangs: %v", err)
	}
	if _, err := s.Write(t.Context(), "north", papers()); kindOf(err) != Busy || !s.Busy() {
		t.Errorf("while it hangs: %v", err)
	}
	close(d.wait)
	for deadline := time.Now().Add(2 * time.Minute); s.Busy() && time.Now().Before(deadline); {
		time.Sleep(time.Millisecond)
	}
	if _, err := s.Write(t.Context(), "north", papers()); err != nil {
		t.Errorf("once it has let go: %v", err)
	}
	// One that goes on and on ends between two pieces.
	endless := reading(func(p []byte) (int, error) { time.Sleep(time.Millisecond); return len(p), nil })
	ctx, cancel = context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := s.Write(ctx, "north", []Source{{"endless", endless}}); kindOf(err) != Slow {
		t.Errorf("one without an end: %v", err)
	}
}

// A source that fails is not the stick's fault.
func TestAPaperThatFails(t *testing.T) {
	s := here(t, nil)
	broken := io.MultiReader(bytes.NewReader(make([]byte, 10)), reading(func([]byte) (int, error) { return 0, fmt.Errorf("no more") }))
	if _, err := s.Write(t.Context(), "north", []Source{{"record.pdf", broken}}); kindOf(err) != Other || !strings.Contains(err.Error(), "no more") {
		t.Errorf("%v", err)
	}
}

// Two files of one name, as FAT has names, are not written one over the other.
func TestNoFileLiesOverAnother(t *testing.T) {
	s := here(t, nil)
	all, err := s.Write(t.Context(), "north", []Source{{Name: "Record.pdf", Body: strings.NewReader("a")}, {Name: "record.PDF", Body: strings.NewReader("b")}})
	if kindOf(err) != Other || all != nil || !strings.Contains(err.Error(), "two files would be called record.PDF") {
		t.Errorf("%v, %v", all, err)
	}
	if left, _ := filepath.Glob(filepath.Join(s.Dir, "*")); len(left) != 0 {
		t.Errorf("%q is left", left)
	}
}
