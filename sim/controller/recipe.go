package controller

// RecipeOf reads the setpoints of a whole payload, as the program does when it
// accepts one. ok is false when the block is damaged or holds no recipe.
func RecipeOf(payload []uint16) (r Recipe, ok bool) {
	if len(payload) != payloadLen || !whole(payload, typePayload) || payload[13] != kindRecipe {
		return Recipe{}, false
	}
	return recipeOf(payload), true
}
