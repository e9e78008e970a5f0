"""The rules of the trade: what readings mean, what may be chosen, what is due. Everything the service may use is named here."""
