"""Listen, plan, render: numbers in, numbers out. Nothing here touches a file."""
