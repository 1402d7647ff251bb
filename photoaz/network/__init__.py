"""The least-squares adjustment of a site: parameters, observations, tests, budget."""
