package bake

// words says sentences in English, with plain spaces. TestMain sets it, outside of the
// package because the catalogue imports it.
var words func(list ...Said) string

// SayWith sets words.
func SayWith(say func(list ...Said) string) { words = say }
