package alert_test

import (
	"testing"

	"tidemark/alert"
	"tidemark/alert/storetest"
)

func TestMemStoreKeepsItsPromises(t *testing.T) {
	storetest.Run(t, func(*testing.T) storetest.Harness {
		s := alert.NewMemStore()
		return storetest.Harness{Store: s, Rise: 1, Reopen: func() alert.Store { return s }}
	})
}
