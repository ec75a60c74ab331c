package pose

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestHelperLoads is not a test: it loads the library as another test tells
// it, so that what it does can be watched from outside.
func TestHelperLoads(t *testing.T) {
	way := os.Getenv("POSE_TEST_WAY")
	switch way {
	case "":
		t.Skip("only run by other tests")
	case "ours":
		n, err := Open(DefaultDir(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer n.Close()
		time.Sleep(2 * time.Second) // it would report from a thread of its own
	case "talker":
		// An address of documentation (RFC 5737): nothing is sent.
		if c, err := net.Dial("udp", "192.0.2.1:9"); err == nil {
			c.Close()
		}
		if err := os.WriteFile(filepath.Join(os.TempDir(), "left"), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// Loading the networks asks no name server and no other machine for anything,
// and leaves no file behind.
func TestNothingLeavesTheMachine(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	// Sockets are refused: what is tried is seen, and nothing gets out even when
	// the guard is gone.
	watch := func(way string) (network bool, files int) {
		tmp, log := t.TempDir(), filepath.Join(t.TempDir(), "log")
		cmd := exec.Command(strace, "-f", "-qq", "-e", "trace=socket", "-e", "inject=socket:error=EACCES", "-o", log, os.Args[0], "-test.run=^TestHelperLoads$")
		env := slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "ORT_") }) // of other tests
		cmd.Env = append(env, "POSE_TEST_WAY="+way, "TMPDIR="+tmp, "TAPELINE_HOME="+DefaultDir())
		if out, err := cmd.CombinedOutput(); err != nil {
			if strings.Contains(strings.ToLower(string(out)), "ptrace") {
				t.Skip("strace is not allowed here")
			}
			t.Fatalf("%s: %v\n%s", way, err, out)
		}
		b, err := os.ReadFile(log)
		if err != nil {
			t.Fatal(err)
		}
		left, err := os.ReadDir(tmp)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Contains(string(b), "AF_INET"), len(left)
	}
	// A watch that does not see a known talker proves nothing. (The library
	// itself is no such talker: whether it reports depends on the machine.)
	if network, files := watch("talker"); !network || files == 0 {
		t.Skipf("strace sees too little here: network %v, %d files", network, files)
	}
	if network, files := watch("ours"); network || files > 0 {
		t.Errorf("network %v, %d files left", network, files)
	}
}
