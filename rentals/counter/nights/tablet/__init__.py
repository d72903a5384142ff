"""The tablet: a sign-up that works with the network gone."""
