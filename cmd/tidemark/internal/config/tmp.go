package config

type channelSpec struct{ Name string }

func (channelSpec) Validate() error { return nil }
