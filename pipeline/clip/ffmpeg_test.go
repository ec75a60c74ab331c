package clip

import (
	"context"
	"strings"
	"testing"
)

// A program that reads an unknown file knows no secret of ours.
func TestNoSecretsForPrograms(t *testing.T) {
	t.Setenv("TAPELINE_MAIL_PASSWORD", "correct horse")
	t.Setenv("UNRELATED", "kept")
	out, err := command(context.Background(), "env").Output()
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(out), "correct horse") || !strings.Contains(string(out), "UNRELATED=kept") {
		t.Errorf("it is told\n%s", out)
	}
}
