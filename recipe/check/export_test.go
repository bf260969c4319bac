package check

import "slices"

// Codes is every code in the order in which Run reports them.
func Codes() []CodeInfo { return slices.Clone(codes[:]) }
