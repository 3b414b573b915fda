package tenancy

import (
	"testing"

	"go.uber.org/goleak"

	"readback/internal/testkit/apptest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(apptest.Wrap(m)) }
