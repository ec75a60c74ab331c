package ledger

import (
	"context"
	"testing"

	"tapeline/internal/pgtest"
)

func TestPostgres(t *testing.T) {
	contract(t, func(t *testing.T) func() (*Ledger, error) {
		url := pgtest.URL(t)
		return func() (*Ledger, error) { return CreatePostgres(context.Background(), url) }
	})
}
