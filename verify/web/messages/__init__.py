"""Messages when something waits: settings, texts, e-mail, webhooks, and what sends them."""
