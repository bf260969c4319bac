package caution

// Count is how many cautions there are.
const Count = count
