"""What people see on a terminal: takes in work, what became of them, and the state of a ROOT.

The only place that knows rich; it is loaded where somebody looks, and nowhere else. Names come from
strangers, so whatever is shown goes through `shown.text`, and rich's markup is never asked for. Colour
says nothing that the words beside it do not say.
"""
