package webui_test

import (
	"testing"

	"go.uber.org/goleak"

	"readback/internal/testkit/apptest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(browsed{apptest.Wrap(m)}) }
