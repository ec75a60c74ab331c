package jobs

import (
	"context"
	"testing"

	"tapeline/internal/pgtest"
)

func TestPostgres(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Store, error) {
		url := pgtest.URL(t)
		return func() (*Store, error) { return OpenPostgres(context.Background(), url) }
	})
}
